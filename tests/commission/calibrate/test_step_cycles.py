"""Which cycles are good ones, and what their steps took, from written changes of state."""

from __future__ import annotations

from linectl.commission.calibrate.step_cycles import StepCycles
from linectl.commission.calibrate.timed_steps import StepName, TimedPart

PARTS = {
    "tamp": TimedPart("tamp", ("sowing",), "empty"),
    "turn": TimedPart("turn", ("sowing",), "empty"),
    "lane1": TimedPart("lane1", ("sowing", "harvest"), "available"),
}
PRESSING = StepName("tamp", "", "pressing")
TURNING = StepName("turn", "", "turning")
CARRYING = StepName("lane1", "lift", "carrying")


def unit(at: int, name: str, state: str, mode: str = "production") -> list[object]:
    return [at, "unit", name, f"{name} {state}", {"state": state, "mode": mode, "reason": ""}]


def states(part: str, *steps: tuple[int, str], of: str = "") -> list[list[object]]:
    return [[at, "station", part, state, {"of": of} if of else {}] for at, state in steps]


def alarm(at: int, tag: str, kind: str = "alarm_on") -> list[object]:
    return [at, kind, tag, "", {}]


def tamping(at: int, took: int = 1_200) -> list[list[object]]:
    end = at + 100 + took
    return states("tamp", (at, "asked"), (at + 100, "pressing"), (end, "done"), (end + 50, "empty"))


def seen(*rows: list[object], **span: int | None) -> StepCycles:
    cycles = StepCycles(PARTS, **span)  # type: ignore[arg-type]
    cycles.take(sorted(rows, key=lambda row: row[0]))  # type: ignore[arg-type,return-value]
    return cycles


START = (unit(0, "sowing", "Execute"), *states("tamp", (0, "empty")), *states("turn", (0, "empty")))


def test_a_step_takes_from_its_state_to_the_next_one() -> None:
    cycles = seen(*START, *tamping(1_000), *tamping(5_000, 1_300))
    assert cycles.durations[PRESSING] == [1_200, 1_300]
    assert cycles.good["tamp"] == 2 and not cycles.left_out


def test_a_cycle_whose_begin_was_not_seen_does_not_count() -> None:
    assert not seen(unit(0, "sowing", "Execute"), *tamping(1_000)[1:]).durations


def test_a_cycle_with_an_alarm_of_its_own_is_left_out_whole() -> None:
    rows = (
        *START,
        *tamping(1_000),
        alarm(1_050, "tamp.press"),
        alarm(9_000, "tamp.press", "alarm_off"),
    )
    cycles = seen(*rows, *tamping(10_000, 1_300))
    assert cycles.durations[PRESSING] == [1_300]
    assert cycles.left_out == {("tamp", "alarm tamp.press"): 1}


def test_an_alarm_that_stands_as_the_cycle_begins_counts_as_well() -> None:
    cycles = seen(alarm(0, "tamp.press"), *START, *tamping(1_000))
    assert cycles.left_out == {("tamp", "alarm tamp.press"): 1} and not cycles.durations


def test_an_alarm_of_another_station_leaves_this_one_its_cycles() -> None:
    cycles = seen(*START, alarm(500, "turn.centred"), *tamping(1_000))
    assert cycles.durations[PRESSING] == [1_200]


def test_an_alarm_that_is_no_stations_concerns_all() -> None:
    cycles = seen(*START, alarm(500, "air_sowing"), *tamping(1_000))
    assert cycles.left_out == {("tamp", "alarm air_sowing"): 1}


def test_a_fault_is_no_good_cycle_though_nobody_raised_an_alarm() -> None:
    rows = states("tamp", (1_000, "asked"), (1_100, "pressing"), (2_000, "faulted"))
    rows += states("tamp", (3_000, "pressing"), (4_000, "done"), (4_100, "empty"))
    assert seen(*START, *rows).left_out == {("tamp", "faulted"): 1}


def test_a_step_that_was_held_up_does_not_count_the_rest_of_its_cycle_does() -> None:
    turn = states("turn", (900, "asked"), (1_000, "turning"), (4_000, "offered"))
    turn += states("turn", (20_000, "turning_back"), (23_000, "empty"))
    held = (unit(2_000, "sowing", "Holding"), unit(3_000, "sowing", "Execute"))
    cycles = seen(*START, *turn, *held)
    assert TURNING not in cycles.durations
    assert cycles.durations[StepName("turn", "", "turning_back")] == [3_000]


def test_gutters_of_a_dry_cycle_do_not_count() -> None:
    assert not seen(*START, unit(10, "sowing", "Execute", "dry_cycle"), *tamping(1_000)).durations


def test_a_lane_moves_for_either_unit_and_its_steps_carry_its_runs_name() -> None:
    rows = [*states("lane1", (0, "available"), (100, "asked_transfer"))]
    rows += states("lane1", (200, "carrying"), of="lift")
    rows += states("lane1", (3_200, "available"))
    assert seen(unit(0, "harvest", "Execute"), *rows).durations == {
        CARRYING: [3_000],
        StepName("lane1", "", "asked_transfer"): [100],
    }
    assert not seen(unit(0, "harvest", "Held"), *rows).durations


def test_only_cycles_within_the_asked_time_count() -> None:
    rows = (*START, *tamping(1_000), *tamping(5_000, 1_300), *tamping(9_000, 1_400))
    assert seen(*rows, from_ms=2_000, to_ms=9_500).durations[PRESSING] == [1_300]
