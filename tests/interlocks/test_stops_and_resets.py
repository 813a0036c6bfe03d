"""Stops and resets: five different words. Each sentence of how the line must behave, as a test."""

from __future__ import annotations

from pathlib import Path

import pytest

from linectl.site.load import load_site

SMALL = load_site(Path(__file__).parents[2] / "config" / "small")
FILE = SMALL.file


@pytest.mark.parametrize("unit", ["sowing", "harvest"])
def test_a_unit_that_comes_to_stand_has_nothing_on_in_that_very_scan(shift, judge, seen, unit):
    for name in ("hold", "stop", "suspend"):
        run = shift("small", site=SMALL, seed=2)
        judge(run.line, SMALL, seen())  # looks at every scan
        run.run("70s")
        run.command(unit, name)
        run.run("130s")
        assert run.state(unit) in ("Held", "Stopped", "Suspended", "Unsuspending", "Execute")


def test_a_drive_that_falls_silent_at_a_stop_is_judged_after_its_own_watchdog(shift):
    run = shift("small", site=SMALL, seed=2)
    run.do("hard cut", on=False)
    bench, index = run.rehearsal.bench, SMALL.index("turnout.run")
    while not run.plant.read(index):
        bench.run(bench.now + 50)
    bench.run(bench.now + 500)
    run.do("press estop", "harvest")
    bench.run(bench.now + 10)
    run.do("silence", "belts_harvest", for_ms=1_100)
    bench.run(bench.now + 5_000)
    rules = {row["rule"] for row in run.plant.report()["violations"]}
    assert rules.isdisjoint({"motion_after_run_down", "output_on_after_cause"})
