"""Faults at the very moment at which they are hardest to see: no rule violated, and why not."""

from __future__ import annotations

from pathlib import Path

import pytest

from linectl.line import Line
from linectl.site.load import load_site

CONFIG = Path(__file__).parents[2] / "config"

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


@pytest.mark.parametrize("name", ["small", "fennmark"])
def test_every_stop_and_every_guard_of_the_lanes_takes_the_lifts_away(name):
    # Lanes, lifts and carriages are stopped by every emergency stop. Brake off holds.
    line = Line(load_site(CONFIG / name))
    lifts = sum(
        1 << point.index
        for point in line.site.points
        if point.tag.rpartition(".")[2] in ("up", "down", "brake")
    )
    assert lifts
    stops = [row for row in line.causes.rows if row.name.startswith("estop_")]
    guards = [row for row in line.causes.rows if row.name in ("guard_mouth", "guard_tail")]
    assert len(stops) == len(line.site.file.zones) and len(guards) == 2
    for row in (*stops, *guards):
        assert row.blocks & lifts == lifts, row.name
