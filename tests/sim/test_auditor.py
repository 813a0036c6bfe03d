"""Each rule of the auditor fires under a deliberately bad controller, and only then (S14)."""

from __future__ import annotations

from collections.abc import Callable

import pytest

import linectl_sim
from linectl.image import Move, Slot
from linectl.site.model import Site
from linectl_sim.rules import RULES

CASES: dict[str, Callable] = {}


def breaks(rule: str) -> Callable[[Callable], Callable]:
    def register(case: Callable) -> Callable:
        CASES[rule] = case
        return case

    return register


def lane_1(hand, empty: tuple[str, ...] = ()) -> None:
    """Ripe gutters in lane 1, with some slots empty."""
    facts = hand.plant.site.file.lanes[0]
    places = [f"lane1.{run.name}.{slot}" for run in facts.runs for slot in range(run.slots)]
    slots = [
        Slot(place, number, facts.crops[0], -1_000_000, -1)
        for number, place in enumerate(places, 1)
        if place.removeprefix("lane1.") not in empty
    ]
    hand.plant.stock(slots)


@breaks("two_in_one_place")
def _(hand) -> None:
    hand.warn()
    hand.feed()
    hand.feed()


@breaks("body_lost")
def _(hand) -> None:
    hand.warn()
    hand.sow()
    hand.turn("turn", "90")
    hand.take("infeed")
    hand.set("infeed.target", 800)
    hand.set("infeed.run")
    hand.wait(5000)
    hand.arm("infeed", "extend")
    hand.off("infeed.grip")
    hand.wait(500)


@breaks("stroke_into_occupied_end")
def _(hand) -> None:
    lane_1(hand)
    hand.warn()
    hand.stroke("lane1.grow")


@breaks("stroke_across_joint")
def _(hand) -> None:
    lane_1(hand)
    hand.warn()
    hand.set("lane1.lift.belt")
    hand.until("lane1.lift.low_clear", False)
    hand.off("lane1.lift.belt")
    hand.set("lane1.germ.stroke")
    hand.wait(1000)


@breaks("stroke_with_gripper_out")
def _(hand) -> None:
    lane_1(hand, empty=("grow.7",))
    hand.warn()
    hand.travel("outfeed", 0)
    hand.off("outfeed.grip")
    hand.arm("outfeed", "extend")
    hand.stroke("lane1.grow")


@breaks("transfer_onto_occupied")
def _(hand) -> None:
    lane_1(hand)
    hand.warn()
    hand.belt("lane1.lift", "lane1.lift.on_board")
    hand.hoist("lane1.lift", "up")
    hand.set("lane1.lift.belt")
    hand.wait(1000)


@breaks("lift_moves_across_joint")
def _(hand) -> None:
    lane_1(hand)
    hand.warn()
    hand.set("lane1.lift.belt")
    hand.until("lane1.lift.low_clear", False)
    hand.off("lane1.lift.belt")
    hand.hoist("lane1.lift", "up")


@breaks("table_moves_across_joint")
def _(hand) -> None:
    hand.warn()
    hand.sow()
    hand.plant.do("take out", "turn")
    hand.plant.do("put in", "seed")
    hand.speed("seed")
    hand.set("seed.run")
    hand.until("turn.entry_eye")
    hand.off("seed.run")
    hand.wait(500)
    hand.set("turn.to_90")
    hand.wait(500)


@breaks("table_moves_with_gripper_out")
def _(hand) -> None:
    hand.warn()
    hand.off("infeed.grip")
    hand.arm("infeed", "extend")
    hand.turn("turn", "90")


@breaks("carriage_moves_with_gripper_out")
def _(hand) -> None:
    hand.warn()
    hand.set("infeed.extend")
    hand.wait(300)
    hand.off("infeed.extend")
    hand.set("infeed.target", 0)
    hand.set("infeed.run")
    hand.wait(500)


@breaks("conveyed_onto_turned_table")
def _(hand) -> None:
    hand.warn()
    hand.turn("turn", "90")
    hand.plant.do("put in", "seed")
    hand.convey("seed", "turn")


@breaks("conveyed_off_turned_table")
def _(hand) -> None:
    hand.warn()
    hand.plant.do("put in", "turnout")
    hand.turn("turnout", "90")
    hand.speed("turnout")
    hand.set("turnout.run")
    hand.wait(5000)


@breaks("insert_into_occupied_mouth")
def _(hand) -> None:
    lane_1(hand)
    hand.warn()
    hand.sow()
    hand.index(0)


@breaks("handover_onto_occupied")
def _(hand) -> None:
    lane_1(hand)
    hand.warn()
    hand.eject(0)
    hand.wait(20_000)
    hand.speed("turnout")
    hand.set("turnout.run")
    hand.wait(15_000)


@breaks("released_without_gutter")
def _(hand) -> None:
    hand.warn()
    hand.set("water.flow_rate", 120)
    hand.set("water.valve")
    hand.wait(200)
    hand.off("water.valve")


@breaks("press_on_nothing")
def _(hand) -> None:
    hand.warn()
    hand.set("tamp.press")
    hand.until("tamp.press_down")


@breaks("press_on_moving")
def _(hand) -> None:
    hand.warn()
    hand.plant.do("put in", "tamp")
    hand.set("tamp.press")
    hand.until("tamp.press_down")
    hand.speed("tamp")
    hand.set("tamp.run")
    hand.wait(800)


@breaks("processed_twice")
def _(hand) -> None:
    hand.warn()
    hand.plant.do("put in", "tamp")
    hand.tamp()
    hand.tamp()


@breaks("mixed_seed")
def _(hand) -> None:
    def half_and_half() -> None:
        hand.set("seed.drum_rate", 2.4)
        for lot in ("R-1", "R-2"):
            hand.plant.do("change seed", "seed", crop="rocket", lot=lot)
            hand.set("seed.drum")
            hand.wait(2000)
            hand.off("seed.drum")

    hand.warn()
    hand.feed()
    hand.vacuum()
    for source, dest in (("magazine", "fill"), ("fill", "tamp"), ("tamp", "water")):
        hand.convey(source, dest)
    hand.convey("water", "seed", half_and_half)


@breaks("seed_changed_running")
def _(hand) -> None:
    hand.warn()
    hand.set("seed.drum")
    hand.plant.do("change seed", "seed", crop="rocket", lot="R-1")


@breaks("out_of_order")
def _(hand) -> None:
    hand.warn()
    hand.feed()
    hand.convey("magazine", "fill")
    hand.convey("fill", "tamp")
    hand.convey("tamp", "water", hand.water)


@breaks("wetted_without_hole")
def _(hand) -> None:
    lane_1(hand)
    hand.plant.stock([Slot("lane2.germ.0", 50, "rocket", -1000, -1)])
    hand.warn()
    hand.sow()


@breaks("wet_over_limit")
def _(hand) -> None:
    hand.warn()
    hand.sow()
    hand.wait(36 * 60_000)


@breaks("two_reservations")
def _(hand) -> None:
    hand.tell("reserve", 7, "tamp", "lane1.germ.0")
    hand.tell("reserve", 8, "tamp", "lane1.germ.0")


@breaks("ledger_differs")
def _(hand) -> None:
    lane_1(hand)
    hand.warn()
    hand.tell("eject", 12, "lane1.grow.7", "outfeed")


@breaks("done_without_intent")
def _(hand) -> None:
    hand.plant.told(Move(3, "reserve", 7, "tamp", "lane1.germ.0", "", True, 0))


@breaks("moved_without_intent")
def _(hand) -> None:
    hand.warn()
    hand.feed()
    hand.tell("feed", 1, "stock", "magazine")
    hand.convey("magazine", "fill")


@breaks("worked_without_intent")
def _(hand) -> None:
    hand.warn()
    hand.feed()
    hand.tell("feed", 1, "stock", "magazine")
    hand.sow()


@breaks("unripe_ejected")
def _(hand) -> None:
    hand.plant.stock([Slot("lane1.grow.7", 1, "green_oakleaf", -1000, 10_000_000)])
    hand.warn()
    hand.eject(0)


@breaks("wrong_crop_ejected")
def _(hand) -> None:
    lane_1(hand)
    hand.warn()
    hand.plant.told(Move(1, "eject", 12, "lane1.grow.7", "outfeed", "rocket", False, 0))
    hand.eject(0)


@breaks("motion_without_warning")
def _(hand) -> None:
    hand.speed("fill")
    hand.set("fill.run")
    hand.wait(500)


@breaks("reversal_without_standstill")
def _(hand) -> None:
    hand.warn()
    hand.set("turn.to_90")
    hand.wait(1000)
    hand.off("turn.to_90")
    hand.set("turn.to_0")
    hand.wait(100)


@breaks("output_on_after_cause")
def _(hand) -> None:
    hand.warn()
    hand.speed("fill")
    hand.set("fill.run")
    hand.wait(1000)
    hand.plant.do("press estop", "harvest")
    hand.wait(2000)


@breaks("motion_after_run_down")
def _(hand) -> None:
    hand.warn()
    hand.plant.do("hard cut", on=False)
    hand.set("turn.to_90")
    hand.wait(500)
    hand.plant.do("open", "turn")
    hand.wait(1000)


@pytest.mark.parametrize("rule", RULES)
def test_the_rule_fires_under_a_bad_controller(hand, rule: str) -> None:
    CASES[rule](hand)
    assert rule in hand.rules()


def test_the_violation_says_when_and_what(hand) -> None:
    hand.warn()
    hand.feed()
    hand.feed()
    (violation,) = hand.plant.report()["violations"]
    assert violation["rule"] == "two_in_one_place"
    assert violation["at_s"] == 7.0
    assert "magazine" in violation["detail"]


def test_a_hidden_motion_is_seen_with_the_hard_cut_in_place(hand) -> None:
    """The cut stops the belt; the output that stayed on is the controller's fault all the same."""
    CASES["output_on_after_cause"](hand)
    assert not hand.value("fill.running")
    assert "motion_after_run_down" not in hand.rules()


def test_an_output_that_goes_off_in_time_is_no_violation(hand) -> None:
    hand.warn()
    hand.speed("fill")
    hand.set("fill.run")
    hand.wait(1000)
    hand.plant.do("hard cut", on=False)
    hand.plant.do("press estop", "sowing")
    hand.wait(100)
    hand.off("fill.run")
    hand.wait(5000)
    assert hand.rules() == []


def test_a_stopped_motion_may_be_reversed_once_it_stands(hand) -> None:
    hand.warn()
    hand.set("turn.to_90")
    hand.wait(1000)
    hand.off("turn.to_90")
    hand.wait(150)
    hand.set("turn.to_0")
    hand.until("turn.at_0")
    assert hand.rules() == []


def test_lanes_may_move_for_a_unit_that_began_with_its_horn(small: Site, hand) -> None:
    hand.set("sowing.air")
    hand.set("sowing.horn")
    hand.wait(4000)
    hand.off("sowing.horn")
    hand.feed()
    hand.wait(30_000)
    hand.set("lane1.germ.stroke")
    hand.wait(1000)
    assert hand.rules() == []


def test_a_horn_too_short_is_no_warning(hand) -> None:
    hand.set("sowing.air")
    hand.set("sowing.horn")
    hand.wait(2000)
    hand.off("sowing.horn")
    hand.feed()
    assert hand.rules() == ["motion_without_warning"]


def test_after_a_stop_the_horn_must_sound_again(hand) -> None:
    hand.warn()
    hand.feed()
    hand.plant.do("press estop", "lanes")
    hand.wait(1000)
    hand.plant.do("release estop", "lanes")
    hand.plant.do("safety reset", "lanes")
    hand.wait(1000)
    assert hand.value("lanes.estop_ok")
    hand.plant.do("take out", "magazine")
    hand.feed()
    assert hand.rules() == ["motion_without_warning"]


def test_a_gutter_told_where_it_is_differs_nowhere(small: Site, hand) -> None:
    hand.warn()
    hand.feed()
    hand.tell("feed", 1, "stock", "magazine")
    hand.number += 1
    convey = Move(hand.number, "convey", 1, "magazine", "fill", "", False, 0)
    hand.plant.told(convey)
    hand.convey("magazine", "fill")
    hand.plant.told(convey._replace(done=True))
    assert hand.plant.places()["fill"] == 1
    assert hand.rules() == []


def test_the_last_eject_counts_holes_and_wetted_gutters(stocked) -> None:
    hand = stocked
    hand.eject(0)
    hand.hand_over()
    hand.sow()
    hand.wait(60_000)
    last = hand.plant.report()["last_eject"]
    assert last["wetted_after"] == 1
    assert last["holes_open"] == 13  # one in lane 1, all twelve of lane 2


def test_the_plant_opens_with_a_clean_sheet(small: Site) -> None:
    assert linectl_sim.open(small, 1).report()["violations"] == []
