"""Forced outputs, and forces of what interlocks read: who may, how long, what ends them."""

from __future__ import annotations

import pytest
from held import RUN, in_maintenance, sound, status


@pytest.fixture
def hand(hand):
    return in_maintenance(hand)


def test_an_output_is_forced_off_at_any_time(small, hand):
    hand = type(hand)(small)
    hand.healthy()
    assert hand.on("sowing.air")
    assert hand.obey("force", "sowing.air 0 1m the valve leaks") is None
    assert not hand.on("sowing.air")
    (row,) = status(hand)["force_list"]
    assert (row["direction"], row["true"], row["in_effect"]) == ("out", True, True)
    hand.scan(ms=60_000)
    assert hand.on("sowing.air")


def test_forced_on_it_wants_the_device_held_the_warning_given_and_ends_with_the_device(hand):
    # S36
    assert "nobody holds" in hand.obey("force", f"{RUN} 1 1m belt is aligned")
    hand.set("sowing.enabling", True)
    assert hand.obey("force", f"{RUN} 1 1m belt is aligned") is None
    assert not hand.on(RUN) and not status(hand)["force_list"][0]["in_effect"]
    sound(hand, "sowing")
    hand.settle(3_100)
    assert hand.on(RUN)
    hand.set("sowing.enabling", False)
    assert not hand.on(RUN) and status(hand)["forced"] == 0


def test_forced_on_it_is_no_stronger_than_an_interlock_and_does_not_come_back(hand):
    # S37
    hand.set("sowing.enabling", True)
    hand.obey("force", f"{RUN} 1 1m belt is aligned")
    sound(hand, "sowing")
    hand.settle(3_100)
    hand.line.take_events()
    hand.set("fill.drive_ok", False)
    assert not hand.on(RUN)
    (told,) = [e for e in hand.line.take_events() if e.kind == "force"]
    assert told.data["ended_by"] == "interlock: drive_fill"
    hand.set("fill.drive_ok", True)
    hand.command("", "interlock-reset")
    hand.settle(4_000)
    assert not hand.on(RUN)


def test_a_pulse_waits_for_no_force_on_its_output(hand):
    hand.obey("force", f"{RUN} 0 1m belt is open")
    assert f"{RUN} is forced: end that first" in hand.obey("pulse", f"{RUN} 2s")


def test_a_force_that_must_come_twice_must_be_the_same_and_in_time(hand):
    # S38
    argument = "tamp.running 1 1m contact is loose"
    assert "the interlock tamp_press_belt reads tamp.running" in hand.obey("force", argument)
    assert "again" in hand.obey("force", "tamp.running 0 1m contact is loose"), "another value"
    hand.obey("force", argument)
    hand.scan(ms=60_100)
    assert "again" in hand.obey("force", argument), "too late"
    assert hand.obey("force", argument) is None


def test_where_the_site_says_nothing_such_a_point_is_not_forced(small, hand):
    # S38
    file = small.file.model_copy(update={"forces": type(small.file.forces)()})
    hand = type(hand)(small.model_copy(update={"file": file}))
    hand.healthy()
    for _ in range(2):
        said = hand.obey("force", "tamp.running 1 1m contact is loose")
        assert "this site forces no such point" in said


def test_a_forced_output_too_is_over_when_the_control_place_is_taken(hand):
    # S36
    hand.set("sowing.enabling", True)
    assert hand.obey("force", f"{RUN} 1 1m its belt is looked at") is None
    sound(hand, "sowing")
    hand.settle(3_100)
    assert hand.on(RUN)
    hand.set("sowing.remote_selected", False)
    assert not hand.on(RUN)
    hand.set("sowing.remote_selected", True)
    hand.settle(4_000)
    assert not hand.on(RUN)
