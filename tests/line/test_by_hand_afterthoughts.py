"""Driven by hand: what was allowed when a person asked, and is not when it comes to it."""

from __future__ import annotations

import pytest

from linectl.image import Command


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
