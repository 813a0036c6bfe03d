"""A suspended unit carries on by itself only within its time, and only if nothing happened."""

from __future__ import annotations

import pytest

from linectl.image import Command

OVERLOAD = "lane1.germ.overload_ok"


@pytest.fixture
def suspended(hand):
    """Sowing stands suspended, and could go on if `can_work` says so."""
    hand.start()
    sowing = hand.line.sowing
    sowing.can_work = lambda now: False
    sowing.go("suspend", "a test")
    sowing.go("done", "a test")
    return hand


def _obey(hand, name: str, argument: str = "") -> None:
    assert hand.line.obey(Command("", name, argument, "anna")) is None


def test_what_kept_a_unit_from_starting_does_not_lengthen_its_right_to_start_alone(suspended):
    # S08
    line, sowing = suspended.line, suspended.line.sowing
    line.barred = lambda unit: "a permissive of the matrix"
    sowing.can_work = lambda now: True
    suspended.settle(50)
    assert sowing.state == "Suspended"
    suspended.scan(ms=sowing.due - suspended.now + 60_000)
    line.barred = lambda unit: None
    suspended.settle(50)
    assert sowing.state in ("Holding", "Held")


def test_what_happens_while_a_unit_is_suspending_counts(hand):
    # S08, S22
    hand.start()
    sowing = hand.line.sowing
    sowing.go("suspend", "a test")
    _obey(hand, "force", "turn.centred 0 1h eye is dirty")
    _obey(hand, "force-end", "turn.centred")
    sowing.go("done", "a test")
    sowing.can_work = lambda now: True
    hand.settle(50)
    assert sowing.state in ("Holding", "Held")


def test_a_reset_of_a_cause_while_a_unit_stands_suspended_says_that_somebody_was_there(hand):
    # S08: the overload came before, and was put right and reset while the unit stood
    hand.start()
    sowing = hand.line.sowing
    hand.set(OVERLOAD, False)
    assert sowing.state == "Execute", "an overload stops its lane only"
    sowing.go("suspend", "a test")
    sowing.go("done", "a test")
    hand.set(OVERLOAD, True)
    hand.settle(50)
    assert not sowing.touched
    _obey(hand, "interlock-reset")
    sowing.can_work = lambda now: True
    hand.settle(50)
    assert sowing.state in ("Holding", "Held")


def test_a_reset_that_finds_nothing_latched_changes_nothing(suspended):
    _obey(suspended, "interlock-reset")
    assert not suspended.line.sowing.touched


def test_a_unit_with_a_faulted_station_does_not_return_by_itself(suspended):
    # the base edition has no hold for a fault that comes while suspending
    sowing = suspended.line.sowing
    sowing.parts[0].state = "faulted"
    sowing.can_work = lambda now: True
    suspended.settle(50)
    assert sowing.state in ("Holding", "Held")
