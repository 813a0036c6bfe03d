"""Pulses in maintenance: who may, how long, what ends them, what is told."""

from __future__ import annotations

import json

import pytest
from held import RUN, hold, in_maintenance, sound, status

from linectl.image import Command, Frame, Start
from linectl.line import Line
from linectl.line.pulse_limits import companions, pulse_most_ms
from linectl.site.parts import needs_of


@pytest.fixture
def hand(hand):
    return in_maintenance(hand)


def stages(hand):
    return [e.data["stage"] for e in hand.line.take_events() if e.kind == "pulse"]


# the way of a pulse -------------------------------------------------------------------------------


def test_a_pulse_waits_warns_runs_its_time_and_ends(hand):
    # S36
    assert hand.obey("pulse", f"{RUN} 2s") is None
    assert status(hand)["pulse"]["stage"] == "waits" and not hand.on(RUN)
    hold(hand, ms=2_900)
    assert status(hand)["pulse"]["stage"] == "warned" and not hand.on(RUN)
    hand.settle(150)
    assert hand.on(RUN) and not hand.on("sowing.horn")
    began = status(hand)["pulse"]
    hand.settle(round(began["left_s"] * 1000) - 10)
    assert hand.on(RUN)
    hand.scan()
    assert not hand.on(RUN) and status(hand)["pulse"] is None
    last = status(hand)["last_pulse"]
    assert (last["tag"], last["stage"], last["ended_by"], last["ran_ms"]) == (
        RUN, "ended", "time", 2_000,
    )  # fmt: skip


def test_its_stages_are_told_as_events(hand):
    hand.obey("pulse", f"{RUN} 500ms")
    hand.line.take_events()
    hold(hand, ms=4_000)
    events = [e for e in hand.line.take_events() if e.kind == "pulse"]
    assert [e.data["stage"] for e in events] == ["warned", "begun", "ended"]
    assert {(e.source, e.data["value"], e.data["for_ms"], e.data["by"]) for e in events} == {
        (RUN, True, 500, "anna")
    }


def test_without_a_hand_on_the_device_it_waits_a_minute_and_never_comes(hand):
    # S36
    hand.obey("pulse", f"{RUN} 2s")
    hand.scan(ms=59_900)
    assert status(hand)["pulse"]["stage"] == "waits"
    hand.scan(ms=200)
    last = status(hand)["last_pulse"]
    assert (last["stage"], last["ended_by"], last["ran_ms"]) == ("refused", "enabling", 0)
    hold(hand)
    assert not hand.on(RUN)


@pytest.mark.parametrize("ms", [1_000, 3_200])
def test_let_go_it_is_off_in_that_very_scan(hand, ms):
    # S36
    hand.obey("pulse", f"{RUN} 2s")
    hold(hand, ms=ms)
    assert hand.on(RUN) is (ms > 3_000)
    hand.set("sowing.enabling", False)
    assert not hand.on(RUN) and not hand.on("sowing.horn")
    assert status(hand)["last_pulse"]["ended_by"] == "enabling"
    hand.set("sowing.enabling", True)
    hand.settle(4_000)
    assert not hand.on(RUN), "nothing comes back by itself"


def test_a_device_tied_down_since_power_up_counts_as_not_held(small, hand):
    # S36
    hand = type(hand)(small)
    hand.healthy({"sowing.enabling": True})
    for unit in ("sowing", "harvest"):
        hand.line.obey(Command(unit, "mode", "maintenance"))
    hand.obey("pulse", f"{RUN} 2s")
    hand.settle(5_000)
    assert status(hand)["pulse"]["stage"] == "waits" and status(hand)["enabling"]["sowing"] is None
    hand.set("sowing.enabling", False)
    hold(hand)
    assert hand.on(RUN)


def test_one_whose_device_fell_silent_must_be_seen_let_go_again(hand):
    # S36
    device = hand.site.points[hand.site.index("sowing.enabling")].device
    hand.set("sowing.enabling", True)
    hand.quality(device, False)
    hand.quality(device, True)
    hand.command("", "interlock-reset")
    assert hand.obey("pulse", "turn.to_0 1s") is None
    hand.settle(5_000)
    assert status(hand)["pulse"]["stage"] == "waits"


@pytest.mark.parametrize("deaf", ["horn_on", "beacon_on"])
def test_a_warning_that_is_not_proven_lets_nothing_move(hand, deaf):
    # S37
    hand.obey("pulse", f"{RUN} 2s")
    hand.set("sowing.enabling", True)
    hand.set("sowing.horn_on" if deaf == "beacon_on" else "sowing.beacon_on", True)
    hand.settle(3_100)
    assert not hand.on(RUN)
    assert status(hand)["last_pulse"]["ended_by"] == "warning"


def test_a_horn_that_sounds_already_proves_nothing(hand):
    # S37
    sound(hand, "sowing")
    hand.obey("pulse", f"{RUN} 2s")
    hand.set("sowing.enabling", True)
    hand.settle(6_500)
    assert status(hand)["last_pulse"]["ended_by"] == "warning"


@pytest.mark.parametrize(
    ("tag", "said"),
    [("guard_fill.closed", "interlock: guard_fill"), ("fill.drive_ok", "interlock: drive_fill"),
     ("harvest.estop_ok", "interlock: estop_harvest"), ("fill.remote", "interlock: local_fill")],
)  # fmt: skip
def test_an_interlock_takes_it_away_in_the_scan_that_sees_it(hand, tag, said):
    # S37
    hand.obey("pulse", f"{RUN} 2s")
    hold(hand)
    assert hand.on(RUN)
    hand.set(tag, False)
    assert not hand.on(RUN)
    assert status(hand)["last_pulse"]["ended_by"] == said
    assert said.split(": ")[1].split("_")[0] in hand.obey("pulse", f"{RUN} 2s")


def test_one_that_comes_during_the_warning_refuses_it_there_and_silences_the_horn(hand):
    # S37
    hand.obey("pulse", f"{RUN} 2s")
    hold(hand, ms=1_000)
    assert hand.on("sowing.horn")
    hand.set("fill.drive_ok", False)
    last = status(hand)["last_pulse"]
    assert (last["stage"], last["ended_by"]) == ("refused", "interlock: drive_fill")
    hand.scan()
    assert not hand.on("sowing.horn")


def test_one_that_comes_while_it_waits_ends_nothing_and_one_that_stays_refuses_it(hand):
    # S37
    hand.obey("pulse", f"{RUN} 2s")
    hand.set("fill.drive_ok", False)
    assert status(hand)["pulse"]["stage"] == "waits"
    hand.line.take_events()
    hold(hand, ms=20)
    assert stages(hand) == ["warned", "refused"] and not hand.on(RUN)


def test_a_silent_device_takes_it_away(hand):
    # S37
    hand.obey("pulse", f"{RUN} 2s")
    hold(hand)
    hand.quality("belts_sower", False)
    assert not hand.on(RUN) and status(hand)["last_pulse"]["ended_by"] == "device"


def test_a_person_ends_it(hand):
    hand.obey("pulse", f"{RUN} 2s")
    hold(hand)
    assert hand.obey("pulse-end", "") is None
    assert not hand.on(RUN) and status(hand)["last_pulse"]["ended_by"] == "person"
    assert hand.obey("pulse-end", "") == "no pulse stands"


@pytest.mark.parametrize("stage", ["waits", "begun"])
def test_it_is_over_when_somebody_takes_the_control_place_at_the_machine(hand, stage):
    # S36
    hand.obey("pulse", f"{RUN} 2s")
    if stage == "begun":
        hold(hand)
    assert status(hand)["pulse"]["stage"] == stage
    hand.set("sowing.remote_selected", False)
    assert not hand.on(RUN) and status(hand)["last_pulse"]["ended_by"] == "control place"
    assert hand.obey("pulse-end", "") == "no pulse stands", "taken from anywhere, and none there"


def test_no_carriage_is_sent_to_where_nobody_said(hand):
    # S36
    assert "say where to" in hand.obey("pulse", "infeed.run 2s")
    assert "say where to" in hand.obey("force", "infeed.run 1 1m it is looked at")
    assert hand.obey("pulse", "infeed.run 2s infeed.target=900") is None


def test_leaving_maintenance_ends_it(hand):
    # S36
    hand.obey("pulse", f"{RUN} 2s")
    hold(hand)
    hand.command("sowing", "mode", "production")
    assert not hand.on(RUN) and status(hand)["last_pulse"]["ended_by"] == "mode"


def test_what_goes_with_it_comes_with_it_or_before_it_and_goes_with_it(hand):
    index = hand.site.index("seed.drum_rate")
    own = hand.line.outputs[index]
    assert (
        hand.obey("pulse", "seed.drum 1s seed.drum_rate=40 seed.run=1 seed.pump=1 lead=2s") is None
    )
    hold(hand, ms=3_100)
    assert hand.on("seed.pump") and hand.on("seed.run") and not hand.on("seed.drum")
    assert hand.line.outputs[index] == 40
    hand.settle(2_000)
    assert hand.on("seed.drum")
    hand.settle(1_100)
    assert not {"seed.drum", "seed.run", "seed.pump"} & hand.outputs_on()
    assert hand.line.outputs[index] == own


def test_a_set_point_alone_waits_for_nobody_and_goes_back(hand):
    index = hand.site.index("fill.doser_rate")
    assert hand.obey("pulse", "fill.doser_rate 30s 250") is None
    assert hand.line.outputs[index] == 250 and "sowing.horn" not in hand.outputs_on()
    assert stages(hand) == ["begun"] or status(hand)["pulse"]["stage"] == "begun"
    hand.scan(ms=30_000)
    assert hand.line.outputs[index] == hand.site.points[index].safe


def test_a_silent_device_takes_no_set_point(hand):
    hand.obey("pulse", "fill.speed 30s 120")
    hand.quality("belts_sower", False)
    assert status(hand)["last_pulse"]["ended_by"] == "device"
    assert "silent: belts_sower" in hand.obey("pulse", "fill.speed 30s 120")


def test_the_horn_itself_is_tried_without_a_warning(hand):
    assert hand.obey("pulse", "lanes.horn 2s") is None
    assert hand.on("lanes.horn")
    hand.settle(2_100)
    assert not hand.on("lanes.horn")


def test_what_always_stands_is_turned_off_by_its_pulse(hand):
    assert hand.obey("pulse", "sowing.air 1s") is None
    hold(hand, ms=3_100)
    assert not hand.on("sowing.air")
    hand.settle(1_100)
    assert hand.on("sowing.air")


# what is refused ----------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("argument", "said"),
    [
        ("fill.run", "pulse TAG LENGTH"),
        ("fill.rum 2s", "nearest valid name: fill.run"),
        ("fill.exit_eye 2s", "is an input: only outputs are pulsed"),
        ("fill.run 17s", "a pulse of fill.run lasts 16s at most"),
        ("fill.run 0s", "lasts 16s at most"),
        ("fill.run soon", "is not a duration"),
        ("fill.run 2s 2", "1 or 0"),
        ("fill.doser_rate 2s", "is a number: say its value"),
        ("fill.doser_rate 2s -3", "it takes from 0 to 65535 ml/s"),
        ("fill.run 2s tamp.run=1", "of another part than fill.run"),
        ("fill.run 2s fill.speed=fast", "a number in mm/s"),
        ("fill.run 2s fill.run=0", "name each output once"),
        ("lane1.lift.up 2s", "goes only together with lane1.lift.brake=1"),
        ("lane1.lift.brake 2s", "goes only together with lane1.lift.up=1 or lane1.lift.down=1"),
        ("lane1.lift.up 2s lane1.lift.down=1 lane1.lift.brake=1", "drive the same motion"),
        ("turn.to_0 2s turn.to_90=1", "drive the same motion"),
        ("seed.drum 2s lead=2s", "for what goes with an output"),
        ("infeed.grip 1s", "infeed.on_board does not show that it is empty"),
    ],
)  # fmt: skip
def test_a_pulse_is_refused_with_its_reason(hand, argument, said):
    hand.set("infeed.on_board", True)
    assert said in hand.obey("pulse", argument)
    assert status(hand)["pulse"] is None


def test_a_pulse_is_under_a_name_and_there_is_one_at_a_time(hand):
    assert "say who" in hand.obey("pulse", f"{RUN} 2s", by=" ")
    hand.obey("pulse", f"{RUN} 2s")
    assert "waits for the enabling device; wait for its end" in hand.obey("pulse", "tamp.run 2s")


def test_every_unit_of_the_zone_must_stand_in_maintenance(hand):
    # S36
    hand.command("harvest", "mode", "production")
    assert hand.obey("pulse", f"{RUN} 2s") is None
    hand.obey("pulse-end", "")
    assert "harvest is in production" in hand.obey("pulse", "lane1.germ.stroke 2s")
    assert "harvest is in production" in hand.obey("pulse", "outfeed.run 2s outfeed.target=900")


def test_from_the_room_only_while_the_room_has_the_control_place(hand):
    hand.set("sowing.remote_selected", False)
    assert "control place" in hand.obey("pulse", f"{RUN} 2s")
    assert hand.obey("pulse", "outfeed.run 2s outfeed.target=900") is None, (
        "harvest's own selector counts there"
    )


def test_a_zone_without_an_enabling_device_has_no_pulse(small, hand):
    points = [p for p in small.points if p.tag != "sowing.enabling"]
    points = tuple(p.model_copy(update={"index": n}) for n, p in enumerate(points))
    hand = type(hand)(small.model_copy(update={"points": points}))
    hand.healthy()
    hand.line.obey(Command("sowing", "mode", "maintenance"))
    assert "zone sowing has no enabling device" in hand.obey("pulse", f"{RUN} 2s")
    assert hand.obey("pulse", "sowing.horn 1s") is None


def test_every_output_has_a_greatest_length_from_the_machines_own_times(small):
    needs = needs_of(small.file)
    most = {tag: pulse_most_ms(small, tag) for tag, n in needs.items() if n.role.direction == "out"}
    assert len(most) > 60 and all(0 < ms <= 120_000 for ms in most.values())
    assert most["turn.to_90"] == 6_000 and most["lane2.germ.stroke"] == 6_000
    assert most["water.valve"] == 120_000 and most["packing.offer"] == 2_000
    assert companions(small, "lane1.lift.down") == ("lane1.lift.brake",)
    with pytest.raises(ValueError, match="is an input"):
        pulse_most_ms(small, "fill.exit_eye")


# maintenance and release --------------------------------------------------------------------------


def test_in_maintenance_nothing_starts(hand):
    hand.command("sowing", "reset")
    hand.settle(50)
    why = hand.line.obey(Command("sowing", "start", "", "anna"))
    assert why is not None and "in maintenance: nothing starts there" in why


def test_maintenance_is_reached_from_aborted_too_and_left_from_stopped_only(small, hand):
    hand = type(hand)(small)
    hand.healthy()
    hand.set("sowing.estop_ok", False)
    hand.settle(50)
    assert hand.line.sowing.state == "Aborted"
    assert "Stopped or Idle" in hand.line.obey(Command("sowing", "mode", "dry-cycle"))
    assert hand.line.obey(Command("sowing", "mode", "maintenance")) is None
    assert "Stopped or Idle" in hand.line.obey(Command("sowing", "mode", "production"))


def test_a_line_that_is_not_released_begins_in_maintenance_and_says_why(hand_of):
    hand = hand_of(Start(release={"production": "12 points are not checked out"}))
    hand.healthy()
    assert {unit.mode for unit in hand.line.units} == {"maintenance"}
    assert status(hand)["release"] == {"production": "12 points are not checked out"}
    why = hand.line.obey(Command("sowing", "mode", "production"))
    assert why == "sowing is not released for production: 12 points are not checked out"
    assert hand.line.obey(Command("sowing", "mode", "dry-cycle")) is None
    hand.scan(Frame(release={}))
    assert hand.line.obey(Command("sowing", "mode", "production")) is None


def test_a_release_that_is_taken_back_refuses_the_next_start(small, hand):
    hand = type(hand)(small)
    hand.healthy()
    hand.scan(Frame(release={"production": "the approval does not fit"}))
    hand.command("sowing", "reset")
    hand.settle(50)
    assert "not released" in hand.line.obey(Command("sowing", "start", "", "anna"))


# state --------------------------------------------------------------------------------------------


def test_a_snapshot_takes_a_pulse_along_and_a_restart_does_not(hand):
    # S36
    hand.obey("pulse", "fill.doser 20s fill.doser_rate=250")
    hold(hand)
    assert hand.on("fill.doser")
    copy = Line(hand.site)
    copy.restore(json.loads(json.dumps(hand.line.snapshot())))
    assert copy.digest() == hand.line.digest() and copy.next_due() == hand.line.next_due()
    copy.scan(Frame(), hand.now + 20_000)
    assert not copy.outputs[hand.site.index("fill.doser")]
    assert Line(hand.site).status(0)["pulse"] is None


# why ----------------------------------------------------------------------------------------------


def unmet(hand, name=RUN):
    return {c["step"]: c["text"] for c in hand.line.why(name, hand.now) if not c["met"]}


def test_why_a_pulse_does_not_come_is_told_step_by_step(hand):
    assert list(unmet(hand)) == ["pulse", "enabling", "warning"]
    hand.obey("pulse", f"{RUN} 2s")
    assert "waits for the enabling device" in unmet(hand)["pulse"]
    assert "nobody holds the enabling device (sowing.enabling)" in unmet(hand)["enabling"]
    hand.set("sowing.enabling", True)
    assert set(unmet(hand)) == {"pulse", "warning"}
    hold(hand)
    assert unmet(hand) == {}
    hand.set("sowing.enabling", False)
    assert "its last pulse was ended" in unmet(hand)["pulse"]


def test_why_a_unit_in_maintenance_does_not_start_names_the_mode(hand):
    first = hand.line.why("sowing", hand.now)[0]
    assert first["step"] == "mode" and first["act"] == "sowing mode production"
