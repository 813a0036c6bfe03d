"""Faults of lanes, lifts, carriages and the hall do what their names say."""

from __future__ import annotations

import linectl_sim


def fault(hand, part: str, kind: str, for_ms: int | None = None) -> None:
    hand.plant.do("fault", part, kind=kind, for_ms=for_ms)


def test_a_short_stroke_never_says_forward(stocked) -> None:
    hand = stocked
    hand.plant.do("take out", "lane1.grow.7")
    fault(hand, "lane1.grow", "stroke_short")
    hand.set("lane1.grow.stroke")
    hand.wait(20_000)
    assert not hand.value("lane1.grow.forward") and not hand.value("lane1.grow.home")
    hand.plant.do("repair", "lane1.grow")
    hand.until("lane1.grow.forward")
    assert hand.plant.places()["lane1.grow.7"] == 11


def test_an_overrun_puts_the_last_gutter_out_of_reach(stocked) -> None:
    hand = stocked
    hand.plant.do("take out", "lane1.grow.7")
    fault(hand, "lane1.grow", "overruns")
    hand.stroke("lane1.grow")
    assert not hand.value("lane1.grow.last_eye")
    hand.plant.do("repair", "lane1.grow")
    assert hand.value("lane1.grow.last_eye")


def test_one_run_only_leaves_the_faulty_run_at_home(stocked) -> None:
    hand = stocked
    hand.plant.do("take out", "lane1.grow.7")
    fault(hand, "lane1.grow", "one_run_only")
    hand.set("lane1.grow.stroke")
    hand.wait(10_000)
    assert hand.value("lane1.grow.home")
    assert hand.plant.places()["lane1.grow.7"] is None


def test_an_interrupted_stroke_continued_is_one_pitch(stocked) -> None:
    hand = stocked
    hand.plant.do("take out", "lane1.grow.7")
    hand.set("lane1.grow.stroke")
    hand.wait(2700)
    hand.off("lane1.grow.stroke")
    hand.wait(5000)
    assert hand.value("lane1.grow.last_eye")
    hand.stroke("lane1.grow")
    assert [hand.plant.places()[f"lane1.grow.{k}"] for k in (0, 7)] == [None, 11]


def test_fingers_that_went_back_half_way_complete_the_same_pitch(stocked) -> None:
    hand = stocked
    hand.plant.do("take out", "lane1.grow.7")
    hand.set("lane1.grow.stroke")
    hand.wait(1500)
    hand.off("lane1.grow.stroke")
    hand.wait(500)
    hand.set("lane1.grow.back")
    hand.until("lane1.grow.home")
    hand.off("lane1.grow.back")
    assert not hand.value("lane1.grow.first_eye")
    hand.stroke("lane1.grow")
    assert [hand.plant.places()[f"lane1.grow.{k}"] for k in (0, 7)] == [None, 11]


def test_a_lift_stops_half_way_and_goes_on_when_freed(hand) -> None:
    hand.warn()
    fault(hand, "lane1.lift", "stops_half_way")
    hand.set("lane1.lift.brake")
    hand.wait(200)
    hand.set("lane1.lift.up")
    hand.wait(20_000)
    assert not hand.value("lane1.lift.at_up") and not hand.value("lane1.lift.at_down")
    hand.plant.do("repair", "lane1.lift")
    hand.until("lane1.lift.at_up")


def test_a_lift_needs_its_brake_released(hand) -> None:
    hand.warn()
    hand.set("lane1.lift.up")
    hand.wait(10_000)
    assert hand.value("lane1.lift.at_down")
    hand.set("lane1.lift.brake")
    hand.wait(1500)
    hand.off("lane1.lift.brake")
    hand.wait(10_000)
    assert not hand.value("lane1.lift.at_up") and not hand.value("lane1.lift.at_down")


def test_a_lift_drifts_off_its_level(hand) -> None:
    hand.warn()
    hand.hoist("lane1.lift", "up")
    fault(hand, "lane1.lift", "drifts")
    hand.until("lane1.lift.at_up", False)
    assert hand.rules() == []


def test_a_carriage_stops_off_its_position(hand) -> None:
    hand.warn()
    fault(hand, "infeed", "off_position")
    hand.set("infeed.target", 0)
    hand.set("infeed.run")
    hand.until("infeed.running")
    hand.until("infeed.running", False)
    assert hand.value("infeed.position") == 60 and not hand.value("infeed.flag")
    hand.plant.do("repair", "infeed")
    hand.until("infeed.flag")
    assert hand.value("infeed.position") == 0


def test_a_missed_flag_a_gripper_on_nothing_and_an_arm_that_sticks_out(stocked) -> None:
    hand = stocked
    hand.travel("outfeed", 0)
    fault(hand, "outfeed", "flag_missed")
    assert not hand.value("outfeed.flag")
    fault(hand, "outfeed", "grips_nothing")
    hand.off("outfeed.grip")
    hand.wait(300)
    fault(hand, "outfeed", "sticks_out")
    hand.arm("outfeed", "extend")
    hand.set("outfeed.grip")
    hand.wait(2000)
    assert not hand.value("outfeed.gripped")
    hand.set("outfeed.retract")
    hand.wait(5000)
    assert hand.value("outfeed.gripper_out")
    hand.plant.do("repair", "outfeed")
    hand.until("outfeed.gripper_home")
    assert hand.value("outfeed.flag")


def test_a_gripper_drops_its_gutter_without_blame(stocked) -> None:
    hand = stocked
    fault(hand, "outfeed", "drops")
    hand.travel("outfeed", 0)
    hand.off("outfeed.grip")
    hand.wait(400)
    hand.arm("outfeed", "extend")
    hand.set("outfeed.grip")
    hand.until("outfeed.gripped")
    hand.arm("outfeed", "retract")
    assert not hand.value("outfeed.on_board") and not hand.value("outfeed.gripped")
    report = hand.plant.report()
    assert report["violations"] == []
    assert report["gutters"]["ejected"] == report["gutters"]["removed"] == 1


def test_people_take_a_gutter_without_handshake(stocked) -> None:
    hand = stocked
    fault(hand, "packing", "takes_without_handshake")
    hand.eject(0)
    hand.until("turnout.centred", False)
    hand.wait(2000)
    assert not hand.value("packing.taken")
    assert hand.plant.places()["packing"] == 12
    assert hand.rules() == []


def test_a_handshake_that_sticks_is_paid_at_its_repair(stocked) -> None:
    hand = stocked
    fault(hand, "packing", "handshake_sticks")
    hand.eject(0)
    hand.until("packing.ready", limit_ms=120_000)
    hand.set("packing.offer")
    hand.speed("turnout")
    hand.set("turnout.run")
    hand.wait(40_000)
    assert not hand.value("packing.taken")
    hand.plant.do("repair", "packing")
    assert hand.value("packing.taken")


def test_late_people_take_longer(small) -> None:
    def busy(late: bool) -> int:
        plant = linectl_sim.open(small, 4)
        ready = small.tags["packing.ready"]
        while not plant.read(ready):
            plant.run_until(100_000)
        if late:
            plant.do("fault", "packing", kind="late")
        plant.do("put in", "turnout")
        for tag, value in (("packing.offer", True), ("turnout.speed", 250), ("turnout.run", True)):
            plant.write(small.tags[tag], value)
        while not plant.read(small.tags["packing.taken"]):
            plant.run_until(100_000)
        start = plant.now
        plant.write(small.tags["packing.offer"], False)
        while not plant.read(ready):
            plant.run_until(1_000_000)
        return plant.now - start

    assert busy(late=True) > 3 * busy(late=False)


def test_a_gutter_that_drifts_off_a_turned_table_is_not_the_controllers_doing(hand) -> None:
    hand.warn()
    hand.plant.do("put in", "turnout")
    hand.turn("turnout", "90")
    fault(hand, "turnout", "drifts")
    hand.wait(300_000)
    assert hand.plant.places()["turnout"] is None
    assert hand.rules() == []
