"""The alarm of a start warning that did not prove itself ends with the next one that does."""

from __future__ import annotations


def test_the_alarm_of_an_unproven_warning_ends_with_a_proven_one(hand):
    hand.command("sowing", "reset")
    hand.settle(50)
    hand.command("sowing", "start")
    hand.settle(3_200)
    assert "sowing.warning" in hand.line.alarms.standing
    assert hand.line.sowing.state == "Held"
    hand.command("sowing", "unhold")
    hand.settle(50)
    hand.set("sowing.horn_on", True)
    hand.set("sowing.beacon_on", True)
    hand.settle(3_100)
    assert hand.line.sowing.state == "Execute"
    assert "sowing.warning" not in hand.line.alarms.standing
