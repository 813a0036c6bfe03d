"""A gutter taken off in the middle of a move is told from where the record has it."""

from __future__ import annotations

import sqlite3
from contextlib import closing

import pytest

from linectl.ledger.verify import verify


def test_a_gutter_rejected_under_the_water_is_told_from_where_its_open_move_began(shift, tmp_path):
    path = tmp_path / "line.sqlite3"
    run = shift("small", seed=5, ledger=str(path))
    bench, water = run.rehearsal.bench, run.line.stations["water"]
    while water.state != "tooling":
        bench.run(bench.now + 100)
    gutter = water.gutter
    run.command("sowing", "abort")
    bench.run(bench.now + 2_000)
    assert water.state == "partial"
    assert run.line.gutters[gutter].place == "tamp"  # its tail is still there, its move open
    (place,) = (place for place, there in run.plant.places().items() if there == gutter)
    run.do("take out", place)
    bench.run(bench.now + 1_000)
    run.command("", "partial", "water reject")
    bench.run(bench.now + 1_000)
    assert gutter not in run.line.gutters
    assert run.outcome["ledger"]["rejected"] == 1
    with closing(sqlite3.connect(path)) as second:
        told = second.execute("SELECT gutter, source FROM moves_told WHERE kind = 'reject'")
        assert told.fetchall() == [(gutter, "tamp")]
    verdict = verify(str(path))
    assert verdict.ok, verdict.first


@pytest.mark.parametrize("state", ["asked_pick", "lifting"])
def test_a_gutter_that_the_infeed_has_in_hand_is_not_let_go_from_the_turntable(shift, state):
    """The controller ended with an error: the carriage had a gutter that the record had not."""
    run = shift("small", seed=5)
    bench, infeed, turn = run.rehearsal.bench, run.line.ends.infeed, run.line.ends.turn
    while infeed.state != state:
        bench.run(bench.now + 10)
    gutter = infeed.gutter
    run.do("take out", next(p for p, there in run.plant.places().items() if there == gutter))
    for _ in range(2):  # the unit at work, then held
        run.command("", "reject", turn.name)
        bench.run(bench.now + 20_000)
        assert gutter in run.line.gutters and infeed.gutter == gutter
    assert infeed.state == "faulted" and run.line.sowing.state == "Held"
    run.command("", "reject", infeed.name)
    bench.run(bench.now + 1_000)
    assert gutter not in run.line.gutters and not infeed.gutter and not turn.gutter
    for _ in range(2):  # the table waits once more, for the arm that is out over it
        run.command("sowing", "unhold")
        bench.run(bench.now + 20_000)
    assert run.line.sowing.state == "Execute"
    assert run.outcome["violations"] == []


@pytest.mark.parametrize("name", ["infeed", "outfeed"])
def test_a_gutter_taken_off_before_the_ledger_confirmed_its_pick_is_gone_from_its_source(
    shift, name
):
    run = shift("small", seed=5)
    bench, carriage = run.rehearsal.bench, run.line.stations[name]
    while carriage.state != "asked_pick":
        bench.run(bench.now + 10)
    gutter = carriage.gutter
    carriage.fail("ledger", "the ledger did not confirm")
    bench.run(bench.now + 40_000)
    assert carriage.unit.state == "Held"
    (place,) = (place for place, there in run.plant.places().items() if there == gutter)
    run.command("", "removed", name)
    bench.run(bench.now + 1_000)
    assert carriage.gutter == gutter  # it lies where it was
    run.do("take out", place)
    bench.run(bench.now + 1_000)
    run.command("", "removed", name)
    bench.run(bench.now + 1_000)
    assert gutter not in run.line.gutters and not run.line.ends.turn.gutter
    assert all(gutter not in slots for lane in run.line.lanes.lanes for slots in lane.slots)


@pytest.mark.parametrize("name", ["turn", "infeed", "turnout"])
def test_nothing_sets_off_beside_a_person_who_took_a_gutter_off_a_unit_that_still_holds(
    shift, name
):
    """S35. Table, arm and carriage once set off in Holding, without a warning."""
    run = shift("small", seed=5)
    bench, part = run.rehearsal.bench, run.line.stations[name]
    while part.state not in ("turning", "lifting"):
        bench.run(bench.now + 10)
    gutter = part.gutter
    run.do("take out", next(p for p, there in run.plant.places().items() if there == gutter))
    while part.state != "faulted":
        bench.run(bench.now + 10)
    assert part.unit.state in ("Execute", "Holding")
    for _ in range(4_000):
        run.command("", "removed", name)
        bench.run(bench.now + 10)
        if gutter not in run.line.gutters:
            break
    assert gutter not in run.line.gutters
    bench.run(bench.now + 5_000)
    assert part.unit.state == "Held"
    assert part.state in ("empty", "idle")
    assert run.outcome["violations"] == []
