"""`why` in words: votes, delays, latches and their resets, marks, points, who clears it."""

from __future__ import annotations

import pytest

from linectl.errors import UsageError
from linectl.image import Command
from linectl.site.interlocks import Condition


@pytest.fixture
def site(small, allowing):
    """The small site with a vote, a hysteresis and a reset at the machine."""
    site = allowing(small, "water_supply")
    causes = dict(site.interlocks.causes)
    guards = [Condition.model_validate({"point": f"{name}.drive_ok", "is": False})
              for name in ("fill", "tamp", "water")]  # fmt: skip
    causes["drive_fill"] = causes["drive_fill"].model_copy(update={"when": guards, "vote": 2})
    level = Condition.model_validate({"point": "fill.hopper_level", "below": 6, "hysteresis": 10})
    causes["hopper_empty"] = causes["hopper_empty"].model_copy(update={"when": (level,)})
    causes["limits_infeed"] = causes["limits_infeed"].model_copy(update={"reset": "at_machine"})
    interlocks = site.interlocks.model_copy(update={"causes": causes})
    return site.model_copy(update={"interlocks": interlocks})


@pytest.fixture
def hand(hand, site):
    hand = type(hand)(site)
    hand.healthy()
    return hand


def told(hand, name, step="", met=None):
    """The checks of a step, or all, as one answer."""
    checks = hand.line.why(name, hand.now)
    return [c for c in checks if step in ("", c["step"]) and met in (None, c["met"])]


def test_a_vote_says_how_many_hold_and_how_many_it_takes(hand):
    hand.set("tamp.drive_ok", False)
    (row,) = told(hand, "drive_fill", "cause")
    assert row["met"] and "1 of 3 hold, 2 needed" in row["text"]
    hand.quality(hand.site.points[hand.site.index("fill.drive_ok")].device, False)
    (row,) = told(hand, "drive_fill", "cause")
    assert not row["met"] and "without a good reading" in row["text"]


def test_a_running_delay_is_told_with_what_is_left_of_it(hand):
    hand.set("water.supply_ok", False)
    hand.settle(100)
    (row,) = told(hand, "water_supply", "cause")
    assert row["met"] and "acts in 0.4 s if it stays" in row["text"]


def test_a_number_within_its_hysteresis_is_told_as_such(hand):
    hand.set("fill.hopper_level", 3)
    hand.set("fill.hopper_level", 10)
    (row, *_) = told(hand, "hopper_empty")
    assert not row["met"] and "not come back by its hysteresis" in row["text"]
    (point,) = told(hand, "hopper_empty", "point")
    assert "= 10 l; present when below 6, with 10 l to come back" in point["text"]


def test_what_is_latched_says_which_reset_it_waits_for_and_who_gives_it(hand):
    for tag in ("lanes.estop_ok", "infeed.limits_ok"):
        hand.set(tag, False)
        (row, *_) = told(hand, "estop_lanes" if "estop" in tag else "limits_infeed")
        assert (row["by"], row["act"]) == ("machine", ""), "first it must go at its place"
        hand.set(tag, True)
    (row, *_) = told(hand, "estop_lanes")
    assert (row["by"], row["act"]) == ("command", "interlock-reset")
    (row, *_) = told(hand, "limits_infeed")
    assert row["clears"] == "interlock reset, by the button at sowing"
    assert (row["by"], row["act"]) == ("machine", "")


def test_no_command_is_named_while_the_machine_has_the_control_place(hand):
    hand.set("lanes.estop_ok", False)
    hand.set("lanes.estop_ok", True)
    hand.set("sowing.remote_selected", False)
    (row, *_) = told(hand, "estop_lanes")
    assert (row["by"], row["act"]) == ("machine", "") and "control place" in row["clears"]
    (row,) = told(hand, "sowing", "state")
    assert (row["by"], row["act"]) == ("machine", "") and "control place" in row["clears"]


def test_a_point_is_shown_with_terminal_both_addresses_and_device(hand):
    hand.set("guard_seed.closed", False)
    (row,) = [c for c in told(hand, "seed.drum", "cause", met=False) if c["cause"] == "guard_seed"]
    point = hand.site.points[hand.site.index("guard_seed.closed")]
    (place,) = row["where"]
    assert place == {
        "tag": "guard_seed.closed", "good": True, "value": False, "forced": None,
        "terminal": point.note, "device": point.device,
        "address": f"discrete {point.address} (reference 1{point.address + 1:04d})",
    }  # fmt: skip
    assert place["terminal"]


def test_what_is_bypassed_or_forced_stands_first_among_what_is_met(hand):
    hand.obey("bypass", "water_supply 1h pump is changed")
    hand.obey("force", "water.entry_eye 1 1h eye is cleaned")
    met = told(hand, "water", met=True)
    assert all(check["marked"] for check in met[:2]) and not met[2]["marked"]
    assert {"BYPASSED" in met[0]["text"], "BYPASSED" in met[1]["text"]} == {True, False}


def test_a_bypassed_cause_that_is_there_is_in_nobodys_way(hand):
    hand.set("water.supply_ok", False)
    hand.settle(600)
    assert [c["cause"] for c in told(hand, "water", "cause", met=False)] == ["water_supply"]
    hand.obey("bypass", "water_supply 1h pump is changed")
    assert not told(hand, "water", "cause", met=False)
    (row, *_) = told(hand, "water_supply", "cause")
    assert not row["met"] and "BYPASSED" in row["text"]
    assert told(hand, "water_supply", "stops")[0]["text"] == "stops nothing now"


def test_a_cause_says_what_it_stops_now(hand):
    hand.set("turn.swept_clear", False)
    (row,) = told(hand, "swept_turn", "stops")
    assert row["text"] == "stops now: turn.to_0, turn.to_90, sowing: hold"


def test_a_lane_out_of_service_names_who_locked_it(hand):
    hand.command("", "out-of-service", "2", by="anna")
    (row,) = told(hand, "lane2", "service")
    assert not row["met"] and "locked by anna" in row["text"]


def test_a_suspended_unit_says_whether_it_carries_on_by_itself(hand):
    hand.start()
    sowing = hand.line.sowing
    sowing.go("suspend", "a test")
    sowing.go("done", "a test")
    (row,) = told(hand, "sowing", "return")
    assert row["met"] and "carry on by itself for another" in row["text"]
    hand.line.obey(Command("", "force", "turn.centred 0 1h eye is dirty", "anna"))
    (row,) = told(hand, "sowing", "return")
    assert not row["met"]


def test_an_input_tells_its_causes_and_a_set_point_its_station(hand):
    causes = {check["cause"] for check in told(hand, "infeed.gripper_home", "permissive")}
    assert "infeed_travel_gripper" in causes and len(causes) > 2
    checks = told(hand, "fill.speed")
    assert any("moves nothing by itself" in check["text"] for check in checks)
    assert any(check["step"] == "unit" for check in checks)


def test_an_unknown_name_is_wrong_use(hand):
    with pytest.raises(UsageError, match="no tag, station, lane, unit or cause"):
        hand.line.why("fil", hand.now)
