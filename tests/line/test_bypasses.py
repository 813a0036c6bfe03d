"""Bypasses: who may keep which interlock from acting, for how long, and how one ends."""

from __future__ import annotations

import json

import pytest

from linectl.image import Frame, Left
from linectl.line import Line
from linectl.line.causes import Causes

HOUR_MS = 3_600_000
CAUSE = "water_supply"
"""Blocks the waterer before the next gutter; acts, not latched; delayed by 500 ms."""
LATCHED = "drive_fill"


@pytest.fixture
def site(small, allowing):
    return allowing(small, CAUSE, LATCHED, "hopper_low")


@pytest.fixture
def hand(hand, site):
    hand = type(hand)(site)
    hand.healthy()
    return hand


def listed(hand):
    return {row["cause"]: row["stage"] for row in hand.line.status(hand.now)["bypass_list"]}


def stages(events):
    return [event.data["stage"] for event in events if event.kind == "bypass"]


def acts(hand, cause=CAUSE) -> bool:
    """The cause stops something now: by the sums that the gate and the stations go by."""
    causes: Causes = hand.line.causes
    number = [row.name for row in causes.rows].index(cause)
    row = causes.rows[number]
    stations = {hold.station for hold in row.stations}
    return bool(causes.blocked & row.blocks) or bool(stations & set(causes.stations))


def trip(hand, present=True, tag="water.supply_ok"):
    hand.set(tag, not present)
    hand.settle(600)


# who may bypass what ------------------------------------------------------------------------------


def test_a_bypassed_cause_is_judged_and_told_and_stops_nothing(hand):
    trip(hand)
    assert acts(hand)
    assert hand.obey("bypass", f"{CAUSE} 1h pump is being changed") is None
    assert not acts(hand)
    assert CAUSE in hand.line.alarms.standing, "it is told as ever"


def test_what_is_latched_is_kept_from_acting_too_and_acts_again_with_its_latch(hand):
    assert hand.obey("bypass", f"{LATCHED} 1h contact is loose") is None
    trip(hand, tag="fill.drive_ok")
    assert not acts(hand, LATCHED)
    trip(hand, False, "fill.drive_ok")
    hand.obey("bypass-end", LATCHED)
    assert acts(hand, LATCHED), "gone, but nobody has reset it"
    hand.command("", "interlock-reset")
    assert not acts(hand, LATCHED)


@pytest.mark.parametrize(
    ("argument", "by", "said"),
    [
        (f"{CAUSE} 1h", "anna", "say why"),
        (f"{CAUSE} 1h pump is changed", "", "say who"),
        (f"{CAUSE} 3h pump is changed", "anna", "longer than the limit of 2h"),
        (f"{CAUSE} soon pump is changed", "anna", "not a duration"),
        (f"{CAUSE} 1h {'because ' * 30}", "anna", "200 characters"),
        (f"{CAUSE} 0s pump is changed", "anna", "say for how long"),
        ("water_suply 1h pump is changed", "anna", "nearest valid name: water_supply"),
        ("swept_turn 1h pump is changed", "anna", "the watch over a swept area"),
        ("overload_lane1_germ 1h jammed", "anna", "interlocks.yaml, causes.overload_lane1_germ"),
        ("hopper_low 1h jammed", "anna", "only warns"),
        ("", "anna", "bypass CAUSE DURATION REASON"),
    ],
)
def test_a_bypass_is_refused_with_the_rule_that_forbids_it(hand, argument, by, said):
    # S20
    assert said in hand.obey("bypass", argument, by)
    assert not listed(hand)


NEVER = ("estop_", "guard_", "isolator_", "local_", "swept_", "silent_", "supply_")


@pytest.fixture
def lying(small, allowing):
    """A site whose file allows everything: `check` would refuse it; the line must do so too."""
    return allowing(small, *small.interlocks.causes)


def test_what_protects_people_and_what_the_shape_forbids_is_never_bypassed(hand, lying):
    # S20
    hand = type(hand)(lying)
    hand.healthy()
    refused, taken = set(), set()
    for row in hand.line.causes.rows:
        said = hand.obey("bypass", f"{row.name} 1h because the file says so")
        (refused if said else taken).add(row.name)
    vital = {row.name for row in hand.line.causes.rows if row.name.startswith(NEVER)}
    derived = {row.name for row in hand.line.causes.rows if row.priority is None or row.silence}
    assert vital and derived and len(vital | derived) > 60
    assert vital | derived <= refused
    assert taken == set(listed(hand))
    assert {"drive_fill", "air_sowing", "hopper_empty"} <= taken


def test_a_cause_that_reads_a_guard_beside_other_points_is_never_bypassed(hand, lying):
    # S20
    causes = dict(lying.interlocks.causes)
    guard = causes["guard_seed"].when
    drive = causes["drive_fill"]
    causes["drive_fill"] = drive.model_copy(update={"when": (*drive.when, *guard)})
    interlocks = lying.interlocks.model_copy(update={"causes": causes})
    hand = type(hand)(lying.model_copy(update={"interlocks": interlocks}))
    hand.healthy()
    assert "is a guard" in hand.obey("bypass", "drive_fill 1h contact is loose")


def test_a_bypass_is_taken_only_from_the_control_place_and_ended_from_anywhere(hand):
    assert hand.obey("bypass", f"{CAUSE} 1h pump is being changed") is None
    hand.set("harvest.remote_selected", False)
    assert "control place" in hand.obey("bypass", f"{LATCHED} 1h contact is loose")
    assert hand.obey("bypass-end", CAUSE) is None


# how it ends --------------------------------------------------------------------------------------


def test_a_click_gives_the_interlock_back_and_only_a_trial_takes_it_off_the_list(hand):
    # S21
    hand.obey("bypass", f"{CAUSE} 1h pump is being changed")
    trip(hand)
    assert not acts(hand)
    hand.obey("bypass-end", CAUSE)
    assert acts(hand), "it acts again at once"
    assert listed(hand) == {CAUSE: "to go"}
    trip(hand, False)
    assert listed(hand) == {CAUSE: "to come"}
    assert hand.line.status(hand.now)["bypassed"] == 1
    trip(hand)
    assert acts(hand) and listed(hand) == {CAUSE: "to go again"}
    assert f"bypass.{CAUSE}" in hand.line.alarms.standing
    hand.line.take_events()
    trip(hand, False)
    assert not listed(hand) and hand.line.status(hand.now)["bypassed"] == 0
    assert f"bypass.{CAUSE}" not in hand.line.alarms.standing
    assert stages(hand.line.take_events()) == ["tried"]


def test_a_trial_counts_good_readings_only(hand):
    # S21
    hand.obey("bypass", f"{CAUSE} 1h pump is being changed")
    hand.obey("bypass-end", CAUSE)
    device = hand.site.points[hand.site.index("water.supply_ok")].device
    for _ in range(2):
        hand.quality(device, False)
        hand.settle(600)
        hand.quality(device, True)
        hand.settle(600)
    assert listed(hand) == {CAUSE: "to come"}, "a silent device is no trial of its points"


def test_a_trial_shorter_than_the_on_delay_is_none(hand):
    hand.obey("bypass", f"{CAUSE} 1h pump is being changed")
    hand.obey("bypass-end", CAUSE)
    hand.set("water.supply_ok", False)
    hand.settle(300)
    hand.set("water.supply_ok", True)
    hand.settle(600)
    assert listed(hand) == {CAUSE: "to come"}


def test_a_cause_that_waits_for_its_trial_is_not_bypassed_again(hand):
    hand.obey("bypass", f"{CAUSE} 1h pump is being changed")
    hand.obey("bypass-end", CAUSE)
    assert "not yet tried" in hand.obey("bypass", f"{CAUSE} 1h once more")
    assert "not yet tried" in hand.obey("bypass-end", CAUSE)


def test_at_its_expiry_the_cause_acts_in_that_very_scan_and_the_due_is_known_before(hand):
    # S21
    trip(hand)
    hand.obey("bypass", f"{CAUSE} 40s pump is being changed")
    begun = hand.now
    assert hand.line.next_due() <= begun + 40_000
    assert hand.line.interventions.next_due() == begun + 40_000
    hand.scan(ms=39_990)
    assert not acts(hand)
    hand.scan(ms=10)
    assert acts(hand) and listed(hand) == {CAUSE: "to go"}


def test_a_mode_change_of_a_unit_that_it_concerns_ends_it(hand):
    # S21
    hand.obey("bypass", f"{CAUSE} 1h pump is being changed")
    hand.command("harvest", "mode", "dry-cycle")
    assert listed(hand) == {CAUSE: "in force"}, "the waterer is the sower's"
    hand.command("sowing", "mode", "dry-cycle")
    assert listed(hand) == {CAUSE: "to come"}


def test_a_restart_ends_it_and_what_the_record_has_is_still_to_be_tried(hand, site):
    # S21
    hand.obey("bypass", f"{CAUSE} 1h pump is being changed")
    line = Line(site)
    assert line.status(0)["bypassed"] == 0, "a new controller knows of none by itself"
    row = Left("bypass", CAUSE, "anna", "pump is being changed", -9_000, -1_000, in_force=True)
    gone = row._replace(name="no_longer_there")
    line.interventions.left([row, gone, row._replace(kind="force", name="fill.exit_eye")], {})
    assert line.status(0)["bypassed"] == 1 and not line.causes.bypassed
    told = {(event.kind, event.source): event.data for event in line.take_events()}
    water = told["bypass", CAUSE]
    assert (water["stage"], water["ended_by"], water["for_ms"]) == ("acts again", "restart", 8_000)
    assert told["force", "fill.exit_eye"]["stage"] == "ended"
    assert told["bypass", "no_longer_there"]["stage"] == "ended"
    assert f"bypass.{CAUSE}" in line.alarms.standing
    assert line.status(0)["forced"] == 0
    (said,) = line.status(0)["ended_at_start"]
    assert "the force by anna (pump is being changed) ended with the restart" in said


# what is kept of it -------------------------------------------------------------------------------


def test_the_end_tells_person_reason_time_and_how_often_the_cause_was_there(hand):
    trip(hand)
    hand.obey("bypass", f"{CAUSE} 1h pump is being changed")
    begun = hand.now
    trip(hand, False)
    trip(hand)
    hand.line.take_events()
    hand.scan(Frame(), ms=HOUR_MS - (hand.now - begun))
    (told,) = [event for event in hand.line.take_events() if event.kind == "bypass"]
    assert dict(told.data) == {
        "stage": "acts again", "by": "anna", "reason": "pump is being changed", "from_ms": begun,
        "to_ms": hand.now, "came": 2, "ended_by": "expiry", "for_ms": HOUR_MS,
    }  # fmt: skip
    assert hand.line.status(hand.now)["exposure"] == [
        {"cause": CAUSE, "times": 1, "hours": 1.0, "came": 2}
    ]


def test_exposure_adds_up_over_bypasses_and_counts_the_one_that_runs(hand):
    for _ in range(2):
        hand.obey("bypass", f"{CAUSE} 1h pump is being changed")
        hand.scan(ms=HOUR_MS // 2)
        if hand.line.interventions.bypasses.totals:
            break
        hand.obey("bypass-end", CAUSE)
        trip(hand)
        trip(hand, False)
    (row,) = hand.line.status(hand.now)["exposure"]
    assert (row["times"], row["came"]) == (2, 0)
    assert row["hours"] == pytest.approx(1.0, abs=0.001)


def test_a_bypass_survives_a_snapshot_and_goes_on_alike(hand, site):
    trip(hand)
    hand.obey("bypass", f"{CAUSE} 40s pump is being changed")
    copy = Line(site)
    copy.restore(json.loads(json.dumps(hand.line.snapshot())))
    assert copy.digest() == hand.line.digest()
    for now in (hand.now + 10_000, hand.now + 40_000, hand.now + 40_010):
        for line in (copy, hand.line):
            line.scan(Frame(), now)
        assert copy.digest() == hand.line.digest()
    assert copy.status(0)["bypass_list"][0]["stage"] == "to go"


def test_a_suspended_unit_does_not_return_by_itself_while_a_bypass_stands(hand):
    # S22
    sowing = hand.line.sowing
    hand.start()
    hand.obey("bypass", f"{CAUSE} 1h pump is being changed")
    sowing.go("suspend", "a test")
    sowing.go("done")
    assert not sowing.touched
    sowing.can_work = lambda now: True
    hand.settle(50)
    assert sowing.state != "Unsuspending" and sowing.state in ("Holding", "Held")
