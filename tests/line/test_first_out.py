"""First-out: which of several causes came first, and when nobody can say so.

The rule held here: causes which the scan and the ages of their readings cannot order are a tie,
shown with its resolution. The model beside it knows nothing but intervals on a line of time.
"""

from __future__ import annotations

import json

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from linectl.image import Command, Frame
from linectl.line import Line
from linectl.line.own_stop import DRIVEN_BY
from linectl.line.trip_marks import Mark, Trip, first_of, followers, record, sentence
from linectl.site.roles import CONVEYOR, RUN_ROLES, STATION_ROLES, ZONE_ROLES, transfer_roles

CAUSES = {
    "guard_fill": "guard_fill.closed",
    "guard_seed": "guard_seed.closed",
    "guard_turn": "guard_turn.closed",
    "isolator_tamp": "tamp.isolator_on",
    "air_sowing": "sowing.air_ok",  # acts after an on-delay of 400 ms
}
SCAN_MS = 10


@pytest.fixture
def working(small, hand_at_work):
    return hand_at_work(small)


def lose(hand, time: int, *tags: str) -> None:
    """Scans up to `time` ms; the last of them is told that these inputs read 0."""
    while hand.now + SCAN_MS < time:
        hand.scan()
    hand.scan(Frame(values=[(hand.site.index(tag), False) for tag in tags]))


def only(hand, unit: str = "sowing"):
    (told,) = hand.line.first_out.records(unit)
    return told


def naive_first(intervals: dict[str, tuple[int, int]]) -> set[str]:
    """Who may have come first: at some instant of its own nobody else must have come before."""
    possible = set()
    for name, (early, late) in intervals.items():
        ends = [end for other, (_, end) in intervals.items() if other != name]
        if any(all(end >= instant for end in ends) for instant in range(early, late + 1)):
            possible.add(name)
    return possible


HAPPENED = st.lists(
    st.tuples(
        st.sampled_from(sorted(CAUSES)),
        st.integers(10, 900),  # when it really happened, ms
        st.integers(1, 300),  # the worst age of its reading, ms
        st.floats(0, 1),  # how much of that age this reading had
    ),
    min_size=2,
    max_size=5,
    unique_by=lambda event: event[0],
)


@settings(
    max_examples=100,
    deadline=None,
    suppress_health_check=[HealthCheck.function_scoped_fixture],
)
@given(happened=HAPPENED)
def test_whoever_is_named_may_have_been_first_and_overlapping_intervals_are_a_tie(
    working, happened
):
    hand = working
    saved, start, spans = hand.line.snapshot(), hand.now, hand.line.first_out.spans
    own_spans = list(spans)
    intervals: dict[str, tuple[int, int]] = {}
    seen_at: dict[int, list[str]] = {}
    for name, true_ms, age_ms, share in happened:
        own_spans[hand.site.index(CAUSES[name])] = age_ms + SCAN_MS
        seen = start - (-(true_ms + int(age_ms * share)) // SCAN_MS) * SCAN_MS
        seen_at.setdefault(seen, []).append(CAUSES[name])
        intervals[name] = (seen - age_ms - SCAN_MS, seen)
        assert intervals[name][0] <= start + true_ms <= intervals[name][1]
    hand.line.first_out.spans = tuple(own_spans)
    for seen, tags in sorted(seen_at.items()):
        lose(hand, seen, *tags)
    hand.settle(500)
    told = only(hand)
    standing = hand.line.alarms.standing.values()
    marked = {alarm.tag for alarm in standing if alarm.first_out}
    hand.line.restore(saved)
    hand.line.first_out.spans, hand.now = spans, start
    assert set(told["first"]) == naive_first(intervals)
    assert told["tie"] == (len(told["first"]) > 1)
    truly = min(true_ms for _, true_ms, _, _ in happened)
    assert {name for name, true_ms, _, _ in happened if true_ms == truly} & set(told["first"])
    assert marked == set(told["first"])


def test_two_guards_seen_in_one_scan_are_a_tie_with_the_resolution_of_their_readings(working):
    lose(working, working.now + 10, "guard_seed.closed", "guard_fill.closed")
    told = only(working)
    assert told["first"] == ["guard_fill", "guard_seed"] and told["tie"]
    spans = working.line.first_out.spans
    index = working.site.index("guard_seed.closed")
    assert told["resolution_ms"] == spans[index] > SCAN_MS
    assert sentence(told, "14:02:07.350") == (
        f"Sowing aborted 14:02:07.350: one of (cannot be told apart within {spans[index]} ms):"
        " guard at the filler open (guard_fill.closed);"
        " guard at the seeder open (guard_seed.closed)"
    )


def test_what_a_slow_bus_brings_later_may_have_come_before_what_a_fast_bus_brought(working):
    fast, slow = working.site.index("guard_seed.closed"), working.site.index("tamp.drive_ok")
    assert working.line.first_out.spans[slow] > working.line.first_out.spans[fast] + 100
    lose(working, working.now + 10, "guard_seed.closed")
    lose(working, working.now + 100, "tamp.drive_ok")
    assert only(working)["first"] == ["guard_seed", "drive_tamp"]


def test_what_a_fast_bus_brings_later_came_later(working):
    lose(working, working.now + 10, "tamp.drive_ok")
    lose(working, working.now + 100, "guard_seed.closed")
    told = only(working)
    assert told["first"] == ["drive_tamp"]
    assert told["units"] == {"sowing": "abort"}
    assert told["apart"] == ["guard at the seeder open (guard_seed.closed) later by 0.1 s"]


def test_a_delay_is_taken_off_so_that_lost_air_comes_before_the_guard_opened_meanwhile(working):
    lose(working, working.now + 10, "sowing.air_ok")
    lose(working, working.now + 200, "guard_seed.closed")
    assert only(working)["first"] == ["guard_seed"]
    assert working.line.alarms.standing["guard_seed"].first_out
    working.settle(400)
    assert only(working)["first"] == ["air_sowing"]
    assert not working.line.alarms.standing["guard_seed"].first_out
    assert working.line.alarms.standing["air_sowing"].first_out


def test_a_delay_of_a_point_is_taken_off_as_well(small, hand_at_work):
    index = small.index("guard_seed.closed")
    points = list(small.points)
    points[index] = points[index].model_copy(update={"off_delay_ms": 300})
    hand = hand_at_work(small.model_copy(update={"points": tuple(points)}))
    lose(hand, hand.now + 10, "guard_seed.closed")
    lose(hand, hand.now + 200, "guard_fill.closed")
    hand.settle(400)
    assert only(hand)["first"] == ["guard_seed"]


def test_a_cause_that_stops_nothing_is_no_trip(hand):
    hand.set("guard_seed.closed", False)
    hand.settle()
    assert hand.line.sowing.state in ("Stopped", "Aborting", "Aborted")
    assert hand.line.first_out.records() == []


def test_a_persons_abort_is_no_trip(working):
    working.command("sowing", "abort")
    working.settle()
    assert working.line.sowing.state == "Aborted"
    assert working.line.first_out.records() == []


def test_a_trip_ends_when_its_cause_has_gone_and_a_person_has_reset(working):
    working.line.take_events()
    working.set("guard_seed.closed", False)
    working.settle()
    working.set("guard_seed.closed", True)
    working.command("", "interlock-reset")
    working.command("sowing", "clear")
    working.settle()
    assert working.line.first_out.records() != []
    working.command("sowing", "reset")
    working.settle()
    assert working.line.first_out.records() == []
    told = [event.data for event in working.line.take_events() if event.kind == "trip"]
    assert [data["ended"] for data in told] == [False, True]


def test_the_reset_alone_does_not_end_it_while_the_cause_stands(working):
    working.set("guard_seed.closed", False)
    working.settle()
    working.command("", "interlock-reset")
    working.command("sowing", "clear")
    working.command("sowing", "reset")
    working.settle()
    assert only(working)["first"] == ["guard_seed"]


def test_the_units_are_told_apart_two_trips_with_each_its_own_first(working):
    working.set("guard_seed.closed", False)
    working.settle(1_000)
    working.set("guard_turnout.closed", False)
    assert only(working, "sowing")["first"] == ["guard_seed"]
    assert only(working, "harvest")["first"] == ["guard_turnout"]


def test_an_emergency_stop_is_one_trip_of_both_units(working):
    working.set("lanes.estop_ok", False)
    (told,) = working.line.first_out.records()
    assert told["what"] == "Sowing and harvest aborted"
    assert told["first"] == ["estop_lanes"]


def test_a_site_may_declare_what_follows_from_a_cause(small, hand_at_work):
    causes = dict(small.interlocks.causes)
    causes["drive_tamp"] = causes["drive_tamp"].model_copy(update={"follows": ("isolator_tamp",)})
    interlocks = small.interlocks.model_copy(update={"causes": causes})
    hand = hand_at_work(small.model_copy(update={"interlocks": interlocks}))
    lose(hand, hand.now + 10, "tamp.drive_ok", "tamp.isolator_on")
    told = only(hand)
    assert told["first"] == ["drive_tamp"] and not told["tie"]
    assert told["after"] == ["isolator of the tamper open"]


def test_a_bypassed_cause_stops_nothing_and_begins_its_trip_when_the_bypass_ends(
    small, hand_at_work, allowing
):
    hand = hand_at_work(allowing(small, "drive_tamp"))
    assert hand.line.obey(Command("", "bypass", "drive_tamp 1h a test", "anna")) is None
    hand.set("tamp.drive_ok", False)
    hand.settle()
    assert hand.line.sowing.state == "Execute" and hand.line.first_out.records() == []
    hand.command("", "bypass-end", "drive_tamp", "anna")
    hand.settle()
    assert hand.line.sowing.state in ("Holding", "Held")
    assert only(hand)["first"] == ["drive_tamp"]


def test_a_bypassed_cause_is_not_named_beside_the_one_that_stopped_the_line(
    small, hand_at_work, allowing
):
    hand = hand_at_work(allowing(small, "drive_tamp"))
    assert hand.line.obey(Command("", "bypass", "drive_tamp 1h a test", "anna")) is None
    lose(hand, hand.now + 10, "tamp.drive_ok", "guard_seed.closed")
    assert only(hand)["first"] == ["guard_seed"]


def test_a_restored_line_goes_on_with_the_same_trip(working, small):
    working.set("guard_seed.closed", False)
    working.settle(100)
    saved = json.loads(json.dumps(working.line.snapshot()))
    other = Line(small)
    other.restore(saved)
    assert other.first_out.records() == working.line.first_out.records()
    assert other.digest() == working.line.digest()


def test_causes_that_explain_each_other_explain_nothing():
    marks = [Mark("a", "", "", "cause", 0, 9, ["b"]), Mark("b", "", "", "cause", 5, 14, ["a"])]
    assert followers(marks) == {}
    assert [mark.tag for mark in first_of(marks)] == ["a", "b"]


def test_what_came_surely_before_its_explanation_is_first_in_its_own_right():
    guard = Mark("guard", "", "", "cause", 0, 40)
    supply = Mark("supply", "", "", "cause", 9_000, 9_040, ["guard"])
    assert [mark.tag for mark in first_of([guard, supply])] == ["guard"]


def test_the_one_line_names_what_came_after_and_what_is_apart():
    trip = Trip(1, 1_000, {"sowing": "abort"}, cut=2)
    trip.marks = [
        Mark("seed.guard", "guard at seeder opened", "seed.guard", "cause", 920, 1_000),
        Mark("seed.vacuum", "vacuum low", "seed.vacuum", "sign", 2_000, 2_080, own=True),
    ]
    assert sentence(record(trip, {1: "seed.pump"}, False), "14:02:07.350") == (
        "Sowing aborted 14:02:07.350 (±80 ms): guard at seeder opened (seed.guard);"
        " after it: vacuum low"
    )


def test_every_role_that_is_said_to_drive_another_is_a_role():
    kinds = [CONVEYOR, RUN_ROLES, ZONE_ROLES, *STATION_ROLES.values()]
    kinds += [transfer_roles("lift_up"), transfer_roles("level")]
    for reading, drivers in DRIVEN_BY.items():
        of_kind = [roles for roles in kinds if reading in {role.name for role in roles}]
        assert of_kind, reading
        for roles in of_kind:
            outputs = {role.name for role in roles if role.direction == "out"}
            assert outputs & set(drivers), (reading, drivers)
