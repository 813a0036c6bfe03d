"""A person at the machine brings a lift to a level; packing takes back a word nobody asked for."""

from __future__ import annotations

import pytest

from linectl.errors import UsageError


def test_a_lift_between_its_levels_is_jogged_to_one(hand):
    hand.warn()
    hand.set("lane1.lift.brake")
    hand.wait(200)
    hand.set("lane1.lift.up")
    hand.wait(1500)
    hand.off("lane1.lift.up")
    hand.off("lane1.lift.brake")
    hand.wait(100)
    assert not hand.value("lane1.lift.at_up") and not hand.value("lane1.lift.at_down")
    hand.plant.do("jog", "lane1.lift", to="up")
    assert hand.value("lane1.lift.at_up")
    hand.plant.do("jog", "lane1.lift", to="down")
    assert hand.value("lane1.lift.at_down") and not hand.value("lane1.lift.at_up")
    assert not hand.rules()


def test_a_lift_that_moves_is_not_jogged(hand):
    hand.warn()
    hand.set("lane1.lift.brake")
    hand.wait(200)
    hand.set("lane1.lift.up")
    hand.wait(500)
    hand.plant.do("jog", "lane1.lift", to="down")
    assert not hand.value("lane1.lift.at_down")


def test_only_a_lift_is_jogged_and_only_to_a_level(hand):
    with pytest.raises(UsageError, match="no such lift"):
        hand.plant.do("jog", "lane1.grow", to="up")
    with pytest.raises(UsageError, match="up or down"):
        hand.plant.do("jog", "lane1.lift", to="half")


def test_packing_takes_back_a_word_for_which_no_offer_stands(hand):
    machine = hand.plant.machine
    body = machine.world.new_body()
    machine.hall.took(body)
    hand.wait(400)
    assert hand.value("packing.taken")
    hand.wait(1100)
    assert not hand.value("packing.taken")
