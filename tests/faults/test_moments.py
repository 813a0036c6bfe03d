"""Faults at the very moment at which they are hardest to see: no rule violated, and why not."""

from __future__ import annotations

import pytest

MOMENTS = [
    # An eye that lights before a gutter could be there would start the drum over nothing.
    ("seed.entry_eye", "stuck_on", 251_300, "seed.early"),
    # The belt creeps under a table that has begun to turn: the gutter ends across its joint.
    ("turn", "drifts", 178_000, "turn.centred"),
    # A run whose drive fails while it goes back has left its row on the slots.
    ("lane1.grow", "one_run_only", 251_300, "lane1.home"),
]


@pytest.mark.parametrize(("part", "kind", "from_ms", "alarm"), MOMENTS)
def test_a_fault_at_its_worst_moment_is_named_and_does_no_harm(
    trial, fault, part, kind, from_ms, alarm
):
    result = trial(fault(part, kind, from_ms))
    assert result.violations == []
    assert alarm in result.alarms
    assert result.works


def test_an_eye_that_lit_too_early_must_be_seen_dark_before_the_line_goes_on(shift):
    run = shift("small", seed=5)
    bench = run.rehearsal.bench
    bench.run(251_300)
    run.do("fault", "seed.entry_eye", kind="stuck_on", for_ms=120_000)
    bench.run(260_000)
    assert run.line.stations["seed"].fault == "early"
    run.command("sowing", "unhold")
    bench.run(280_000)
    assert run.line.stations["seed"].state == "faulted"  # the eye is still lit
    bench.run(375_000)
    for second in (376, 400):
        run.command("sowing", "unhold")
        bench.run(second * 1000)
    bench.run(440_000)
    assert run.line.stations["seed"].state != "faulted"
    assert run.plant.report()["violations"] == []
