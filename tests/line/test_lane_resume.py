"""A lane that stopped in a motion goes on by a person's own command: no reset moves it."""

from __future__ import annotations

import pytest

from linectl.image import Command


@pytest.fixture
def stopped(shift):
    """The small line in Execute, its lane 1 stopped by an overload in the middle of a stroke."""
    run = shift("small", seed=2)
    bench = run.rehearsal.bench
    lane = run.line.lanes.by_id[1]
    while lane.state != "stroking":
        bench.run(bench.now + 100)
        assert bench.now < 600_000
    _overload(run, False)
    bench.run(bench.now + 500)
    assert (lane.state, lane.fault) == ("faulted", "cut")
    return run


def _overload(run, ok) -> None:
    points = run.plant.machine.world.points
    for run_name in ("germ", "grow"):
        index = run.line.site.index(f"lane1.{run_name}.overload_ok")
        run.rehearsal.bench.act(lambda index=index: points.override(index, None if ok else False))


def _on(run) -> list[str]:
    lane = run.line.lanes.by_id[1]
    return [
        point.tag
        for point in run.line.site.points
        if lane.mask >> point.index & 1 and point.is_bool and run.line.outputs[point.index]
    ]


def _say(run, name, argument="") -> str | None:
    return run.line.obey(Command("", name, argument, "the tester"))


def test_an_interlock_reset_does_not_move_a_lane_that_stopped_in_a_stroke(stopped):
    # S06
    bench, lane = stopped.rehearsal.bench, stopped.line.lanes.by_id[1]
    _overload(stopped, True)
    bench.run(bench.now + 500)
    assert _say(stopped, "interlock-reset") is None
    assert stopped.state("harvest") == "Execute"
    for _ in range(300):
        bench.run(bench.now + 100)
        assert lane.state == "faulted" and not _on(stopped)


def test_the_lane_goes_on_when_a_person_resumes_it(stopped):
    bench, lane = stopped.rehearsal.bench, stopped.line.lanes.by_id[1]
    _overload(stopped, True)
    bench.run(bench.now + 500)
    _say(stopped, "interlock-reset")
    assert _say(stopped, "lane-resume", "lane1") is None
    bench.run(bench.now + 20_000)
    assert lane.state != "faulted" and not lane.fault
    assert stopped.plant.report()["violations"] == []


def test_a_lane_is_not_resumed_while_its_cause_stands_or_is_latched(stopped):
    bench = stopped.rehearsal.bench
    assert "overloaded" in _say(stopped, "lane-resume", "1")
    _overload(stopped, True)
    bench.run(bench.now + 500)
    assert "overloaded" in _say(stopped, "lane-resume", "1")


@pytest.mark.parametrize(
    "argument, answer", [("2", "nothing to resume"), ("9", "no lane '9'"), ("", "no lane ''")]
)
def test_only_a_lane_that_stopped_is_resumed(stopped, argument, answer):
    assert answer in _say(stopped, "lane-resume", argument)


def test_a_lane_that_was_cut_waits_for_a_person_when_units_return_by_themselves(stopped):
    # S06, S08: what cuts a lane may stop no unit; who returns by itself leaves that lane alone
    bench, lane, units = stopped.rehearsal.bench, stopped.line.lanes.by_id[1], stopped.line.units
    _overload(stopped, True)
    bench.run(bench.now + 500)
    assert _say(stopped, "interlock-reset") is None
    could = {unit: unit.can_work for unit in units}
    for unit in units:
        unit.can_work = lambda now: False
        unit.go("suspend", "a test")
    while any(unit.moving or unit.state != "Suspended" for unit in units):
        bench.run(bench.now + 100)
        assert bench.now < 700_000
    for unit in units:
        unit.can_work = could[unit]
    worked = False
    for _ in range(300):
        bench.run(bench.now + 100)
        worked = worked or any(unit.state == "Execute" for unit in units)
        assert (lane.state, lane.fault) == ("faulted", "cut") and not _on(stopped)
    assert worked


@pytest.mark.parametrize("name", ["lane-resume", "advance-empty"])
@pytest.mark.parametrize("unit", ["", "sowing", "harvest"])
@pytest.mark.parametrize("zone", ["sowing", "harvest", "lanes"])
def test_no_unit_that_is_named_beside_it_gets_a_lane_past_a_selector(hand, zone, unit, name):
    # S10: people at the tail are in the harvest zone, at the mouth in the sowing zone
    hand.set(f"{zone}.remote_selected", False)
    assert "control place" in (hand.line.obey(Command(unit, name, "1", "anna")) or "")
