"""Every interlock row, tripped while an output it forbids is on: off in that scan, off at the
device within the worst case, no rule violated, and the line works again after a person's acts.

The hard-wired cut is disabled, so that the hardware cannot hide the software.
"""

from __future__ import annotations

from pathlib import Path

import pytest

from linectl.line import Line
from linectl.site.load import load_site

CONFIG = Path(__file__).parents[2] / "config"
SMALL = load_site(CONFIG / "small")
ROWS = Line(SMALL).causes.rows
BLOCKING = [row.name for row in ROWS if row.blocks]
STEP_MS = 50


def _bits(line) -> int:
    return sum(
        1 << p.index
        for p in SMALL.points
        if p.direction == "out" and p.is_bool and line.outputs[p.index] and not p.safe
    )


def _pin(shift_, row, present: bool) -> None:
    """Make the row's sensors tell its cause, or tell the truth again."""
    points = shift_.plant.world.points
    for test in row.tests:
        point = SMALL.points[test.index]
        if not present:
            value = None
        elif test.level is not None:
            value = test.level  # `override` takes the meaning; the plant inverts where wired so
        elif test.low is not None and test.high is not None:
            value = (test.low + test.high) / 2
        elif test.low is not None:
            value = test.low - 1
        else:
            value = test.high + 1
        points.override(point.index, value)
    shift_.rehearsal.bench.act(lambda: None)


def _run_until_on(shift_, row) -> bool:
    bench = shift_.rehearsal.bench
    for _ in range(4 * 60_000 // STEP_MS):
        bench.run(bench.now + STEP_MS)
        if _bits(shift_.line) & row.blocks and _not_yet(shift_, row):
            return True
    return False


def _not_yet(shift_, row) -> bool:
    number = shift_.line.causes.rows.index(row)
    return not shift_.line.causes.active[number]


@pytest.mark.parametrize("name", BLOCKING)
def test_a_cause_takes_its_outputs_away_and_the_line_recovers(shift, attendant, name):
    # S03, S13
    row = next(row for row in ROWS if row.name == name)
    run = shift("small", site=SMALL, seed=3)
    run.do("hard cut", on=False)
    run.run("20s")
    if not _run_until_on(run, row):
        pytest.fail(f"{name}: no output it forbids was ever on")
    number = [r.name for r in run.line.causes.rows].index(name)
    _pin(run, row, present=True)
    bench = run.rehearsal.bench
    seen_at = None
    for _ in range(120):
        bench.run(bench.now + 10)
        if run.line.causes.active[number]:
            seen_at = bench.now
            break
    assert seen_at is not None, "the cause was never seen"
    assert not _bits(run.line) & row.blocks, "an output stayed on in the scan that saw the cause"
    bench.run(bench.now + 5_000)
    assert not _bits(run.line) & row.blocks
    _pin(run, row, present=False)
    attendant(run, first_ms=bench.now + 2_000)
    before = run.plant.report()["gutters"]["indexed"]
    bench.run(bench.now + 6 * 60_000)
    assert run.plant.report()["violations"] == []
    assert run.plant.report()["gutters"]["indexed"] > before + 3
    assert run.state("sowing") == "Execute"
    assert run.state("harvest") == "Execute"
