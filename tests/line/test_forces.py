"""Forces at the image and overrides in the logic: who, what, how long, what they never beat."""

from __future__ import annotations

import json

import pytest

from linectl.image import Frame
from linectl.line import Line
from linectl.line.grants import GRANTS_MAX

FORCED = "fill.entry_eye"


def forces(hand):
    return {row["name"]: row["value"] for row in hand.line.status(hand.now)["force_list"]}


def seen(hand, tag):
    return hand.line.seen.on[hand.site.index(tag)]


def field(hand, tag):
    return hand.line.inputs.on[hand.site.index(tag)]


def twice(hand, argument):
    """A point that interlocks read is forced when the command comes again."""
    assert "again within 60 s" in hand.obey("force", argument)
    assert hand.obey("force", argument) is None


# forces -------------------------------------------------------------------------------------------


def test_stations_see_the_forced_value_and_the_field_says_what_it_says(hand):
    # S23
    assert hand.obey("force", f"{FORCED} 1 1h beam is misaligned") is None
    assert seen(hand, FORCED) and not field(hand, FORCED)
    hand.set(FORCED, True)
    hand.set(FORCED, False)
    assert seen(hand, FORCED)
    assert hand.obey("force-end", FORCED) is None
    assert not seen(hand, FORCED)
    assert hand.line.seen.on is hand.line.inputs.on, "nothing forced: one view"


def test_a_forced_eye_is_taken_for_a_gutter_by_its_station(hand):
    hand.obey("force", f"{FORCED} 1 1h beam is misaligned")
    hand.start()
    hand.scan(Frame(durable=10))
    hand.settle(2_100)
    assert "fill.stray" in hand.line.alarms.standing


def test_an_interlock_reads_the_field_and_never_a_force(hand):
    # S23: the press may not come down while its belt runs, whatever stations are told of the belt
    blocked = {row.name: n for n, row in enumerate(hand.line.causes.rows)}["tamp_press_belt"]
    hand.set("tamp.running", True)
    assert hand.line.causes.active[blocked]
    twice(hand, "tamp.running 0 1h contact is loose")
    hand.settle(50)
    assert hand.line.causes.active[blocked]
    assert not seen(hand, "tamp.running") and field(hand, "tamp.running")
    hand.set("tamp.running", False)
    hand.obey("force-end", "all")
    twice(hand, "tamp.running 1 1h contact is loose")
    hand.settle(50)
    assert not hand.line.causes.active[blocked], "nor is a cause brought about by a force"


def test_a_number_below_its_limit_trips_its_cause_though_a_force_says_otherwise(hand):
    # S23
    twice(hand, "fill.hopper_level 150 1h sensor is dirty")
    hand.set("fill.hopper_level", 3)
    assert "hopper_empty" in hand.line.alarms.standing
    assert hand.line.seen.value[hand.site.index("fill.hopper_level")] == 150


def test_a_force_does_not_make_a_silent_device_good_for_the_gate(hand):
    # S23: not even on the point by which the gate tells a device's silence, were it ever taken
    forces, went = hand.line.interventions.forces, 0
    for device in hand.site.file.devices:
        points = [p for p in hand.site.points if p.device == device]
        first = next(p for p in points if p.direction == "in")
        assert forces.add(first.tag, True, 60_000, "by way of trial", "anna") is None
        ready = hand.line.ready
        hand.quality(device, False)
        assert hand.line.seen.good[first.index]
        lost = [p.index for p in points if ready & hand.line.bit(p.index)]
        assert not any(hand.line.ready & hand.line.bit(index) for index in lost)
        went += len(lost)
        assert f"silent_{device}" in hand.line.alarms.standing
        hand.quality(device, True)
        hand.obey("force-end", "all")
    assert went > 20


@pytest.mark.parametrize(
    ("argument", "said"),
    [
        ("fill.run 1 1m belt", "sowing is in production: first command sowing mode maintenance"),
        ("fill.speed 1 1m belt", "sowing is in production: first command sowing mode maintenance"),
        ("fill.run 1 6m belt", "forced for 5m at most"),
        ("fill.speed -1 1m belt", "cannot be written to fill.speed: it takes from 0 to 65535 mm/s"),
        ("lanes.enabling 1 1m held", "is an enabling device, which is never forced"),
        ("guard_seed.closed 1 1h guard", "is a guard, which is never forced"),
        ("lanes.estop_ok 1 1h stop", "is an emergency stop, which is never forced"),
        ("sowing.horn_on 1 1h horn", "is the start warning, which is never forced"),
        ("sowing.interlock_reset 1 1h reset", "is an interlock reset, which is never forced"),
        ("sowing.remote_selected 1 1h place", "is the choice of the control place"),
        ("turn.swept_clear 1 1h area", "the watch over a swept area, which is never forced"),
        ("fill.drive_ok 1 1h drive", "a force never beats an interlock"),
        ("water.flow_pulses 1 1h meter", "is a counter"),
        ("fill.entry_ey 1 1h eye", "nearest valid name: fill.entry_eye"),
        ("fill.entry_eye 2 1h eye", "'2' is no value of fill.entry_eye: 1 or 0"),
        ("infeed.position here 1h eye", "a number in mm"),
        ("infeed.position nan 1h eye", "a number in mm"),
        ("fill.entry_eye 1 9h eye", "longer than the limit of 8h"),
        ("fill.entry_eye 1 1h", "say why"),
        ("fill.entry_eye", "force TAG VALUE DURATION REASON"),
    ],
)
def test_a_force_is_refused_with_the_rule_that_forbids_it(hand, argument, said):
    assert said in hand.obey("force", argument)
    assert not forces(hand)


def test_a_force_is_under_a_name_and_is_not_silently_replaced(hand):
    assert "say who" in hand.obey("force", f"{FORCED} 1 1h beam is misaligned", by="")
    hand.obey("force", f"{FORCED} 1 1h beam is misaligned")
    assert "forced to 1 by anna" in hand.obey("force", f"{FORCED} 0 1h another reason", by="bert")


def test_a_force_is_counted_listed_alarmed_and_told_at_its_end(hand):
    hand.obey("force", f"{FORCED} 1 40s beam is misaligned")
    status = hand.line.status(hand.now)
    assert (status["forced"], status["bypassed"], status["overridden"]) == (1, 0, 0)
    assert status["force_list"][0]["left_s"] == 40.0
    assert f"force.{FORCED}" in hand.line.alarms.standing
    assert hand.line.interventions.next_due() == hand.now + 40_000
    hand.scan(ms=39_990)
    hand.line.take_events()
    hand.scan()
    (told,) = [event for event in hand.line.take_events() if event.kind == "force"]
    assert (told.source, told.data["stage"], told.data["ended_by"]) == (FORCED, "ended", "expiry")
    assert told.data["for_ms"] == 40_000
    assert not forces(hand) and f"force.{FORCED}" not in hand.line.alarms.standing


def test_all_forces_are_released_by_one_act_from_anywhere(hand):
    for tag in (FORCED, "fill.exit_eye", "infeed.flag"):
        assert hand.obey("force", f"{tag} 0 1h wiring is tested") is None
    hand.set("sowing.remote_selected", False)
    assert hand.obey("force-end", "all") is None
    assert not forces(hand)


def test_a_mode_change_drops_what_concerns_the_unit(hand):
    for tag in (FORCED, "turnout.centred", "lane1.germ.first_eye"):
        hand.obey("force", f"{tag} 0 1h wiring is tested")
    hand.command("harvest", "mode", "dry-cycle")
    assert set(forces(hand)) == {FORCED}, "lanes belong to both"


def test_there_are_never_more_forces_than_a_person_can_keep_in_mind(hand):
    tags = [p.tag for p in hand.site.points if p.tag.endswith(("_eye", "flag", "running"))]
    said = [hand.obey("force", f"{tag} 0 1h wiring is tested") for tag in tags[: GRANTS_MAX + 1]]
    assert said[:-1] == [None] * GRANTS_MAX and "end one first" in said[-1]


def test_forces_survive_a_snapshot_and_no_restart(hand):
    hand.obey("force", f"{FORCED} 1 1h beam is misaligned")
    hand.obey("override", "water-dose 700 1h trial of a dose")
    copy = Line(hand.site)
    assert copy.status(0)["forced"] == 0
    copy.restore(json.loads(json.dumps(hand.line.snapshot())))
    assert copy.digest() == hand.line.digest()
    copy.scan(Frame(values=[(hand.site.index(FORCED), False)]), hand.now + 10)
    assert copy.seen.on[hand.site.index(FORCED)]
    assert not copy.inputs.on[hand.site.index(FORCED)]


def test_a_suspended_unit_does_not_return_by_itself_while_a_force_stands(hand):
    # S22
    sowing = hand.line.sowing
    hand.start()
    hand.obey("force", "turn.centred 0 1h eye is dirty")
    sowing.go("suspend", "a test")
    sowing.go("done")
    sowing.can_work = lambda now: True
    hand.settle(50)
    assert sowing.state in ("Holding", "Held")


# overrides ----------------------------------------------------------------------------------------


def test_an_overridden_dose_is_what_the_waterer_reckons_with(hand):
    own = hand.line.crops[hand.line.crop_in_drum].water_ml
    overrides = hand.line.interventions.overrides
    assert hand.obey("override", f"water-dose {own * 0.9:g} 1h crust on the peat") is None
    assert overrides.water_ml(own) == pytest.approx(own * 0.9)
    assert hand.line.status(hand.now)["overridden"] == 1
    hand.obey("override-end", "water-dose")
    assert overrides.water_ml(own) == own


def test_an_overridden_dose_ends_with_another_crop_in_the_drum(hand):
    own = hand.line.crops[hand.line.crop_in_drum].water_ml
    hand.obey("override", f"water-dose {own:g} 1h crust on the peat")
    hand.command("sowing", "crop", hand.line.crop_in_drum)
    assert hand.line.status(hand.now)["overridden"] == 1
    other = next(crop for crop in hand.line.crops if crop != hand.line.crop_in_drum)
    hand.command("sowing", "crop", other)
    assert hand.line.status(hand.now)["overridden"] == 0


def test_an_overridden_ripe_check_lets_an_unripe_tail_be_taken_while_it_lasts(hand):
    lanes = hand.line.lanes
    gutter = hand.line.new_gutter("lane1.germ.0")
    hand.line.gutters[gutter].ripe_at = 10**9
    assert not lanes.ripe(gutter, hand.now)
    assert hand.obey("override", "ripe-check off 40s the hall asks for baby leaf") is None
    assert lanes.ripe(gutter, hand.now)
    hand.scan(ms=40_000)
    assert not lanes.ripe(gutter, hand.now)


@pytest.mark.parametrize(
    ("argument", "said"),
    [
        ("water-dose 1 1h thirst", "water-dose of"),
        ("water-dose much 1h thirst", "water-dose of"),
        ("ripe-check on 1h hurry", "can only be overridden off"),
        ("ripe-chek off 1h hurry", "nearest valid name: ripe-check"),
        ("ripe-check off 9h hurry", "longer than the limit of 8h"),
    ],
)
def test_an_override_is_refused_with_the_rule_that_forbids_it(hand, argument, said):
    assert said in hand.obey("override", argument)


@pytest.mark.parametrize(
    "tag",
    ["infeed.on_board", "outfeed.gripped", "lane1.lift.on_board", "lane1.lift.brake_released"],
)
def test_what_tells_that_a_load_is_held_is_not_forced(hand, tag):
    # S23
    assert "let a gutter fall" in hand.obey("force", f"{tag} 0 1h its eye is dirty")
    assert not forces(hand)
