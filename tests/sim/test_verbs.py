"""What people do to the machine: stops, guards, resets, switches, stalls."""

from __future__ import annotations

import pytest

from linectl.errors import UsageError


def test_a_stop_is_closed_again_only_by_release_and_reset_at_its_zone(hand) -> None:
    do = hand.plant.do
    do("press estop", "sowing")
    assert not hand.value("sowing.estop_ok") and hand.value("lanes.estop_ok")
    do("safety reset", "sowing")
    hand.wait(1000)
    assert not hand.value("sowing.estop_ok")
    do("release estop", "sowing")
    hand.wait(1000)
    assert not hand.value("sowing.estop_ok")
    do("safety reset", "sowing")
    assert hand.value("sowing.safety_reset") and not hand.value("sowing.estop_ok")
    hand.wait(600)
    assert not hand.value("sowing.safety_reset") and hand.value("sowing.estop_ok")


def test_any_stop_cuts_the_whole_line_within_50_ms_and_a_guard_its_zone(hand) -> None:
    hand.warn()
    for station in ("fill", "turnout"):
        hand.speed(station)
        hand.set(f"{station}.run")
    hand.wait(1000)
    hand.plant.do("open", "fill")
    hand.wait(50 + 300 + 50)
    assert not hand.value("guard_fill.closed")
    assert not hand.value("fill.running") and hand.value("turnout.running")
    hand.plant.do("press estop", "lanes")
    hand.wait(50 + 300 + 50)
    assert not hand.value("turnout.running")
    assert hand.value("turnout.run") and hand.value("fill.run")


def test_the_hard_cut_can_be_taken_away(hand) -> None:
    hand.warn()
    hand.plant.do("hard cut", on=False)
    hand.speed("fill")
    hand.set("fill.run")
    hand.wait(1000)
    hand.plant.do("press estop", "sowing")
    hand.wait(1000)
    assert hand.value("fill.running")
    hand.plant.do("hard cut", on=True)
    hand.wait(1000)
    assert not hand.value("fill.running")


def test_a_stop_holds_an_arm_where_it_is_and_a_grip_closed(hand) -> None:
    hand.warn()
    hand.sow()
    hand.turn("turn", "90")
    hand.take("infeed")
    hand.set("infeed.extend")
    hand.wait(300)
    hand.plant.do("press estop", "harvest")
    hand.wait(10_000)
    assert not hand.value("infeed.gripper_out") and not hand.value("infeed.gripper_home")
    hand.off("infeed.extend", "infeed.grip")
    hand.wait(2000)
    assert hand.value("infeed.gripped")


def test_a_gutter_carried_off_by_hand_and_rejected_is_counted_as_such(hand) -> None:
    hand.warn()
    hand.feed()
    hand.tell("feed", 1, "stock", "magazine")
    hand.plant.do("take out", "magazine")
    hand.tell("reject", 1, "magazine", "reject")
    counts = hand.plant.report()["gutters"]
    assert (counts["rejected"], counts["removed"]) == (1, 0)
    assert hand.rules() == []


def test_reset_buttons_and_the_control_place_are_inputs(hand) -> None:
    hand.plant.do("interlock reset", "harvest")
    assert hand.value("harvest.interlock_reset")
    hand.wait(600)
    assert not hand.value("harvest.interlock_reset")
    hand.plant.do("select", "sowing", place="machine")
    assert not hand.value("sowing.remote_selected")
    hand.plant.do("select", "sowing", place="room")
    assert hand.value("sowing.remote_selected")


@pytest.mark.parametrize(
    ("there", "back", "role"),
    [("local", "remote", "remote"), ("isolate", "de-isolate", "isolator_on")],
)
def test_switches_stop_a_drive_and_a_carriage(hand, there: str, back: str, role: str) -> None:
    hand.warn()
    hand.speed("fill")
    hand.set("fill.run")
    hand.set("infeed.target", 0)
    hand.set("infeed.run")
    hand.wait(1000)
    for part in ("fill", "infeed"):
        hand.plant.do(there, part)
        assert not hand.value(f"{part}.{role}")
    hand.wait(1000)
    assert not hand.value("fill.running") and not hand.value("infeed.running")
    for part in ("fill", "infeed"):
        hand.plant.do(back, part)
    hand.wait(1000)
    assert hand.value("fill.running") and hand.value("infeed.running")


def test_harvest_stops_and_resumes(hand) -> None:
    hand.until("packing.ready")
    hand.plant.do("harvest stops")
    assert not hand.value("packing.ready")
    hand.wait(600_000)
    assert not hand.value("packing.ready")
    hand.plant.do("harvest resumes")
    assert hand.value("packing.ready")


def test_air_builds_and_vents_with_the_dump_valve(hand) -> None:
    assert not hand.value("lanes.air_ok")
    hand.set("lanes.air")
    hand.wait(300)
    assert hand.value("lanes.air_ok")
    hand.off("lanes.air")
    hand.wait(100)
    assert not hand.value("lanes.air_ok")


def test_horn_and_beacon_answer_after_50_ms(hand) -> None:
    hand.set("sowing.horn")
    hand.wait(49)
    assert not hand.value("sowing.horn_on")
    hand.wait(1)
    assert hand.value("sowing.horn_on")


def test_seed_is_refilled_with_another_crop(hand) -> None:
    hand.plant.do("refill", "seed", crop="rocket")
    hand.warn()
    hand.sow()
    (body,) = [body for body in hand.plant.world.bodies if body.seeded_at is not None]
    assert body.crop == "rocket"


@pytest.mark.parametrize(
    ("verb", "part", "options", "message"),
    [
        ("opne", "fill", {}, "no such verb: 'opne'; did you mean 'open'"),
        ("open", "fil", {}, "no such guard: 'fil'; did you mean 'fill'"),
        ("press estop", "sowin", {}, "no such zone: 'sowin'; did you mean 'sowing'"),
        ("silence", "io_sowr", {"for_ms": 5}, "no such device: 'io_sowr'; did you mean 'io_sower'"),
        ("silence", "io_sower", {}, "for_ms must be whole milliseconds"),
        ("take out", "lane1.germ.9", {}, "no such place: 'lane1.germ.9'; did you mean"),
        ("refill", "tamp", {}, "'tamp' cannot be refilled"),
        ("local", "packing", {}, "packing has no point packing.remote"),
        ("fault", "fill", {}, "say which kind"),
        ("select", "sowing", {"place": "roof"}, "neither machine nor room"),
        ("refill", "seed", {"crop": "rockett"}, "no such crop: 'rockett'; did you mean 'rocket'"),
    ],
)
def test_what_is_written_wrong_is_said(hand, verb, part, options, message) -> None:
    with pytest.raises(UsageError, match=message):
        hand.plant.do(verb, part, **options)
