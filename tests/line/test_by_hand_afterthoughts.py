"""Driven by hand: what was allowed when a person asked, and is not when it comes to it."""

from __future__ import annotations

import json

import pytest

from linectl.image import Command, Slot, Start
from linectl.line import Line


@pytest.fixture
def hand(hand):
    """Both units in maintenance, every enabling device seen let go."""
    for unit in ("sowing", "harvest"):
        assert hand.line.obey(Command(unit, "mode", "maintenance")) is None
    hand.settle(20)
    return hand


def hold(hand, zone="sowing", ms=3_200):
    hand.set(f"{zone}.enabling", True)
    for role in ("horn_on", "beacon_on"):
        hand.set(f"{zone}.{role}", True)
    hand.settle(ms)
    for role in ("horn_on", "beacon_on"):
        hand.set(f"{zone}.{role}", False)


def status(hand):
    return hand.line.status(hand.now)


@pytest.mark.parametrize(
    ("tag", "other"), [("up", "brake"), ("down", "brake"), ("brake", "up"), ("brake", "down")]
)
def test_no_lead_lets_a_lifts_brake_go_alone_or_drives_against_it(hand, tag, other):
    # S37
    why = hand.obey("pulse", f"lane1.lift.{tag} 1s lane1.lift.{other}=1 lead=5s")
    assert why is not None and "goes only together" in why


@pytest.mark.parametrize(
    ("name", "argument"), [("pulse", "infeed.grip 1s 0"), ("force", "infeed.grip 0 1m jaw is new")]
)
def test_a_grip_that_was_empty_when_asked_stays_closed_over_what_came_since(hand, name, argument):
    # S37
    hand.set("sowing.enabling", True)
    assert hand.on("infeed.grip") and hand.obey(name, argument) is None
    hand.set("infeed.on_board", True)
    hold(hand)
    assert hand.on("infeed.grip"), "it would drop what lies in it"
    assert "infeed.grip" not in {row["name"] for row in status(hand)["force_list"]}


def test_a_device_that_stays_held_for_nothing_counts_no_longer(hand):
    # S36
    hand.obey("pulse", "fill.run 1s")
    hold(hand, ms=4_500)
    assert status(hand)["last_pulse"]["ended_by"] == "time"
    hand.scan(ms=29_000)
    assert status(hand)["enabling"]["sowing"] is True, "the next one may follow at once"
    hand.scan(ms=3_000)
    assert status(hand)["enabling"]["sowing"] is None
    assert hand.obey("pulse", "fill.run 1s") is None
    hold(hand)
    assert not hand.on("fill.run") and status(hand)["pulse"]["stage"] == "waits"
    hand.set("sowing.enabling", False)
    hold(hand)
    assert hand.on("fill.run")


@pytest.mark.parametrize("stage", ["waits", "warned"])
@pytest.mark.parametrize(
    ("tag", "said"),
    [("guard_seed.closed", "guard_seed"), ("lanes.estop_ok", "estop_lanes")],
)
def test_what_was_stopped_before_it_began_does_not_come_after_a_reset(hand, stage, tag, said):
    # S37
    assert hand.obey("pulse", "seed.run 1s") is None
    if stage == "warned":
        hand.set("sowing.enabling", True)
    assert status(hand)["pulse"]["stage"] == stage
    hand.set(tag, False)
    last = status(hand)["last_pulse"]
    assert (last["stage"], last["ended_by"]) == ("refused", f"interlock: {said}")
    hand.set(tag, True)
    hand.command("", "interlock-reset")
    hold(hand)
    assert not hand.on("seed.run")


@pytest.mark.parametrize(
    ("forced", "pulsed_too"),
    [("turn.to_0", "turn.to_90"), ("turn.to_90", "turn.to_0"), ("infeed.extend", "infeed.retract")],
)
def test_what_is_forced_one_way_is_not_pulsed_the_other(hand, forced, pulsed_too):
    # S37
    hand.set("sowing.enabling", True)
    assert hand.obey("force", f"{forced} 1 1m valve is tried") is None
    why = hand.obey("pulse", f"{pulsed_too} 1s")
    assert why == f"{forced} is forced: end that first"


def test_a_lift_whose_brake_is_forced_off_is_not_driven_against_it(hand):
    # S37
    assert hand.obey("pulse", "lane1.lift.up 2s lane1.lift.brake=1") is None
    hand.set("lanes.enabling", True)
    hand.set("lanes.horn_on", True)
    hand.set("lanes.beacon_on", True)
    hand.settle(3_200)
    assert hand.on("lane1.lift.up") and hand.on("lane1.lift.brake")
    assert hand.obey("force", "lane1.lift.brake 0 1m brake is looked at") is None
    assert not hand.on("lane1.lift.up") and status(hand)["last_pulse"]["ended_by"] == "person"


def test_a_carriage_at_work_is_sent_nowhere_by_a_force_to_nought(small, hand_at_work):
    # S37: 0 mm is a place, not off
    hand = hand_at_work(small)
    for tag in ("infeed.target", "outfeed.target"):
        assert "is in production" in hand.obey("force", f"{tag} 0 1m display is tried")
    assert hand.obey("force", "fill.speed 0 1m belt has to stand") is None


# what was moved -----------------------------------------------------------------------------------

STANDS = Start(slots=[Slot("lane1.germ.1", 4, "green_oakleaf", -9, 9)], next_gutter=9)


def maintenance(hand, mode="maintenance"):
    for unit in ("sowing", "harvest"):
        hand.command(unit, "mode", mode)


def pulsed(hand, argument, zone):
    hand.set(f"{zone}.enabling", False)
    assert hand.obey("pulse", argument) is None
    hold(hand, zone, ms=4_500)
    assert status(hand)["last_pulse"]["ended_by"] == "time"


def asked(hand):
    return [question["id"] for question in hand.line.recovery_view()["questions"]]


@pytest.mark.parametrize(
    ("argument", "zone"),
    [("lane1.germ.stroke 1s", "lanes"), ("fill.run 1s", "sowing"), 
     ("infeed.run 1s infeed.target=900", "sowing"),
     ("lane1.lift.up 1s lane1.lift.brake=1", "lanes")],
)  # fmt: skip
def test_after_something_was_moved_by_hand_nothing_starts_before_somebody_has_looked(
    come_back, argument, zone
):
    # S36
    hand = come_back(STANDS)
    hand.line.ends.infeed.untried = False
    maintenance(hand)
    pulsed(hand, argument, zone)
    assert asked(hand) == [], "in maintenance the next pulse may follow"
    maintenance(hand, "production")
    assert asked(hand) == ["by_hand"] and "recovery" in hand.line.alarms.standing
    copy = Line(hand.site)
    copy.restore(json.loads(json.dumps(hand.line.snapshot())))
    assert copy.digest() == hand.line.digest()
    for unit in ("sowing", "harvest"):
        hand.command(unit, "reset")
        hand.settle(50)
        assert "answer by_hand" in hand.line.obey(Command(unit, "start", "", "anna"))
    hand.settle(6_000)
    assert asked(hand) == ["by_hand"], "no sensor settles it"
    assert "as_recorded" in hand.obey("answer", "by_hand yes")
    assert hand.obey("answer", "by_hand as_recorded") is None
    assert asked(hand) == [] and hand.line.obey(Command("sowing", "start", "", "anna")) is None
    assert hand.line.ends.infeed.untried is argument.startswith("infeed")


def test_moved_again_it_is_asked_again(come_back):
    hand = come_back(STANDS)
    for _ in range(2):
        maintenance(hand)
        pulsed(hand, "fill.run 1s", "sowing")
        maintenance(hand, "production")
        assert hand.obey("answer", "by_hand as_recorded") is None


@pytest.mark.parametrize("argument", ["sowing.horn 1s", "fill.doser_rate 1s 200", "fill.doser 1s"])
def test_what_takes_no_gutter_along_asks_nothing(come_back, argument):
    hand = come_back(STANDS)
    maintenance(hand)
    pulsed(hand, argument, "sowing")
    maintenance(hand, "production")
    assert asked(hand) == []


def test_with_nothing_on_record_nothing_is_asked(hand):
    pulsed(hand, "fill.run 1s", "sowing")
    maintenance(hand, "production")
    assert asked(hand) == []


def test_a_lift_left_between_its_levels_is_moved_by_nobody_but_a_person(come_back):
    hand = come_back(STANDS)
    maintenance(hand)
    pulsed(hand, "lane1.lift.up 1s lane1.lift.brake=1", "lanes")
    hand.set("lane1.lift.at_down", False)
    maintenance(hand, "production")
    assert hand.line.lanes.lanes[0].adrift == [0]
