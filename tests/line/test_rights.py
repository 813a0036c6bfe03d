"""Who may move what: power-up, stops, resets, control place, start warning, auto-resume."""

from __future__ import annotations

import pytest

from linectl.image import Command, Frame
from linectl.line import Line

AT_REST = {"sowing.air", "harvest.air", "lanes.air", "infeed.grip", "outfeed.grip"}
"""Air is on, and grips that may hold a load since power-up stay closed."""


def test_before_the_first_good_reading_every_output_has_its_safe_value(small):
    # S02
    line = Line(small)
    for now in range(0, 500, 10):
        line.scan(Frame(), now)
    bits = [p for p in small.points if p.direction == "out" and p.is_bool]
    assert {p.tag for p in bits if line.outputs[p.index]} <= {"infeed.grip", "outfeed.grip"}
    assert all(line.outputs[p.index] == bool(p.safe) for p in bits)


def test_after_power_up_the_units_stand_stopped_and_nothing_is_in_motion(hand):
    hand.settle()
    assert {unit.state for unit in hand.line.units} == {"Stopped"}
    assert hand.outputs_on() == AT_REST


def test_nothing_moves_before_horn_and_beacon_have_proven_themselves(hand):
    # S07
    hand.command("sowing", "reset")
    hand.settle(50)
    hand.command("sowing", "start")
    hand.settle(1_000)
    assert hand.outputs_on() == AT_REST | {"sowing.horn", "sowing.beacon"}
    hand.set("sowing.horn_on", True)
    hand.settle(2_900)
    assert hand.line.sowing.state != "Execute"
    assert "magazine.gate" not in hand.outputs_on()
    assert "sowing.warning" in hand.line.alarms.standing


def test_a_proven_warning_lasts_its_full_time_and_then_the_sower_works(hand):
    hand.start()
    assert hand.line.sowing.state == "Execute"
    hand.scan(Frame(durable=1))
    hand.settle(50)
    assert hand.on("magazine.gate")
    assert not hand.on("sowing.horn")


def test_a_horn_that_falls_silent_during_the_warning_stops_the_start(hand):
    # S07
    hand.command("sowing", "reset")
    hand.settle(50)
    hand.command("sowing", "start")
    hand.set("sowing.horn_on", True)
    hand.set("sowing.beacon_on", True)
    hand.settle(1_000)
    hand.set("sowing.horn_on", False)
    hand.settle(4_000)
    assert hand.line.sowing.state == "Held"


def test_stop_wins_over_start_in_the_same_scan_whatever_their_order(hand):
    # S05
    for order in (("start", "stop"), ("stop", "start")):
        hand.command("sowing", "reset")
        hand.settle(50)
        assert hand.line.sowing.state == "Idle"
        hand.scan(Frame(commands=[Command("sowing", name) for name in order]))
        hand.settle(100)
        assert hand.line.sowing.state == "Stopped", order


def test_an_emergency_stop_needs_five_acts_and_none_implies_another(hand):
    # S06: release, safety reset (both in hardware: the relay closes), interlock reset, clear,
    # reset, start.
    hand.start()
    hand.set("lanes.estop_ok", False)
    assert {unit.state for unit in hand.line.units} <= {"Aborting", "Aborted"}
    hand.settle(100)
    assert hand.outputs_on() <= AT_REST
    sowing = hand.line.sowing
    hand.command("sowing", "clear")
    assert sowing.state == "Aborted"  # still pressed
    hand.set("lanes.estop_ok", True)
    hand.settle(100)
    hand.command("sowing", "clear")
    assert sowing.state == "Aborted"  # latched
    hand.command("", "interlock-reset")
    hand.settle(100)
    assert sowing.state == "Aborted"  # reset implies no clear
    hand.command("sowing", "start")
    assert sowing.state == "Aborted"
    hand.command("sowing", "clear")
    hand.settle(100)
    assert sowing.state == "Stopped"
    hand.command("sowing", "start")
    assert sowing.state == "Stopped"  # no start without reset
    hand.command("sowing", "reset")
    hand.settle(100)
    assert sowing.state == "Idle"
    hand.command("sowing", "start")
    assert sowing.state == "Starting"


@pytest.mark.parametrize("name", ["reset", "start", "unhold", "clear", "interlock-reset", "mode"])
def test_commands_towards_motion_are_refused_while_the_machine_has_the_control_place(hand, name):
    # S10
    hand.set("sowing.remote_selected", False)
    why = hand.line.obey(Command("sowing", name, "production"))
    assert why is not None and "control place" in why


def test_stop_hold_and_abort_are_taken_from_anywhere(hand):
    # S10
    hand.start()
    hand.set("sowing.remote_selected", False)
    for name in ("hold", "stop", "abort"):
        hand.command("sowing", name)
    hand.settle(100)
    assert hand.line.sowing.state == "Aborted"


def test_a_reset_button_stuck_since_power_up_is_ignored(small, hand):
    # S09
    hand.set("lanes.estop_ok", False)
    hand.set("lanes.estop_ok", True)
    number = [row.name for row in hand.line.causes.rows].index("estop_lanes")
    assert hand.line.causes.active[number]
    stuck = type(hand)(small)
    stuck.healthy()
    stuck.line.released.clear()  # as if the button had never been seen released
    stuck.set("lanes.estop_ok", False)
    stuck.set("lanes.estop_ok", True)
    stuck.set("lanes.interlock_reset", True)
    assert stuck.line.causes.active[number]
    stuck.set("lanes.interlock_reset", False)
    stuck.set("lanes.interlock_reset", True)
    assert not stuck.line.causes.active[number]


def test_a_silent_device_takes_away_its_outputs_and_holds_or_aborts(hand):
    # S04
    hand.start()
    hand.scan(Frame(durable=1))
    hand.settle(50)
    assert hand.on("magazine.gate")
    hand.quality(hand.site.points[hand.site.index("magazine.gate")].device, False)
    assert not hand.on("magazine.gate")
    hand.settle(100)
    assert hand.line.sowing.state in ("Held", "Aborted")
    assert any(tag.startswith("silent_") for tag in hand.line.alarms.standing)


def test_returning_communication_starts_nothing(hand):
    # S11
    hand.start()
    device = hand.site.points[hand.site.index("magazine.gate")].device
    hand.quality(device, False)
    hand.settle(500)
    hand.quality(device, True)
    hand.settle(30_000)
    assert hand.line.sowing.state in ("Held", "Aborted")
    assert hand.outputs_on() <= AT_REST


def test_the_mode_changes_only_in_stopped_or_idle(hand):
    assert hand.line.obey(Command("sowing", "mode", "dry-cycle")) is None
    assert hand.line.sowing.mode == "dry_cycle"
    hand.start()
    why = hand.line.obey(Command("sowing", "mode", "production"))
    assert why is not None and "Stopped or Idle" in why


def test_modes_that_need_hard_wired_devices_are_refused_with_a_reason(hand):
    for mode in ("step", "jog", "cleaning"):
        why = hand.line.obey(Command("sowing", "mode", mode))
        assert why is not None and "hard-wired" in why


def test_removed_is_refused_in_words_on_a_lane_whose_last_motion_was_its_last_run(hand):
    lane = hand.line.lanes.by_id[1]
    lane.which = len(lane.runs) - 1
    why = hand.line.obey(Command("", "removed", "1"))
    assert why is not None and "no gutter on a transfer" in why


def test_devices_that_never_answered_are_alarms_though_nothing_was_started(small):
    line = Line(small)
    for now in range(0, 6_000, 10):
        line.scan(Frame(), now)
    silent = {tag for tag in line.alarms.standing if tag.startswith("silent_")}
    assert silent == {f"silent_{name}" for name in small.file.devices}
    inputs = [p.index for p in small.points if p.direction == "in"]
    line.scan(Frame(quality=[(index, True) for index in inputs]), 6_000)
    assert not any(tag.startswith("silent_") for tag in line.alarms.standing)


def test_why_says_first_that_a_device_is_silent_and_what_its_silence_counts_as(hand):
    hand.start()
    for device in hand.site.file.devices:
        hand.quality(device, False)
    hand.settle(100)
    checks = hand.line.why("sowing", hand.now)
    assert "is silent" in checks[0]["text"]
    assert not any(check["text"].startswith("emergency stop") for check in checks)
