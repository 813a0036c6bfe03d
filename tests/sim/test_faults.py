"""Every fault the plant can play does what its name says, and is put right."""

from __future__ import annotations

import pytest

import linectl_sim
from linectl.errors import UsageError
from linectl.image import Slot
from linectl.site.faults import fault_kinds


def fault(hand, part: str, kind: str, for_ms: int | None = None) -> None:
    hand.plant.do("fault", part, kind=kind, for_ms=for_ms)


def test_every_fault_of_the_site_starts_and_is_repaired(small) -> None:
    for part, kinds in fault_kinds(small).items():
        for kind in kinds:
            plant = linectl_sim.open(small, 1)
            plant.do("fault", part, kind=kind)
            while plant.run_until(20_000) < 20_000:
                pass
            plant.do("repair", part)
            while plant.run_until(400_000) < 400_000:
                pass
            fresh = linectl_sim.open(small, 1)
            while fresh.run_until(400_000) < 400_000:
                pass
            assert plant.report()["violations"] == [], (part, kind)
            if kind in ("off_position", "drifts", "valve_leaks"):
                continue  # what it left behind is not undone by a repair
            points = range(len(small.points))
            differs = [
                small.points[i].tag for i in points if plant.read(i) != fresh.read(i)
            ]  # fmt: skip
            assert differs == [], (part, kind)


def test_a_fault_ends_by_itself_after_its_time(hand) -> None:
    fault(hand, "fill.exit_eye", "stuck_on", for_ms=3000)
    assert hand.value("fill.exit_eye")
    hand.wait(2999)
    assert hand.value("fill.exit_eye")
    hand.wait(2)
    assert not hand.value("fill.exit_eye")


def test_an_eye_stuck_off_does_not_see_the_gutter(hand) -> None:
    hand.warn()
    fault(hand, "magazine.exit_eye", "stuck_off")
    hand.feed()
    assert not hand.value("magazine.exit_eye")
    hand.plant.do("repair", "magazine.exit_eye")
    assert hand.value("magazine.exit_eye")


def test_a_flickering_eye_flickers_and_ends(hand) -> None:
    fault(hand, "fill.entry_eye", "flicker", for_ms=10_000)
    seen = set()
    for _ in range(100):
        hand.wait(100)
        seen.add(hand.value("fill.entry_eye"))
    assert seen == {False, True}
    hand.wait(2000)
    assert not hand.value("fill.entry_eye")


@pytest.mark.parametrize("kind", ["no_start", "trips"])
def test_a_drive_that_does_not_run(hand, kind: str) -> None:
    hand.warn()
    fault(hand, "fill", kind)
    hand.speed("fill")
    hand.set("fill.run")
    hand.wait(1000)
    assert not hand.value("fill.running")
    assert hand.value("fill.drive_ok") == (kind == "no_start")
    hand.plant.do("repair", "fill")
    hand.wait(1000)
    assert hand.value("fill.running")


def test_a_drifting_belt_carries_its_gutter_off_the_eye(hand) -> None:
    hand.warn()
    hand.feed()
    fault(hand, "magazine", "drifts")
    hand.wait(100_000)
    assert hand.value("magazine.running")
    hand.until("fill.entry_eye", limit_ms=200_000)
    assert hand.rules() == []


def test_a_sticking_press_does_not_come_up_without_repair(hand) -> None:
    hand.warn()
    hand.plant.do("put in", "tamp")
    hand.set("tamp.press")
    hand.until("tamp.press_down")
    fault(hand, "tamp", "press_sticks")
    hand.off("tamp.press")
    hand.wait(10_000)
    assert hand.value("tamp.press_down") and not hand.value("tamp.press_up")
    hand.plant.do("repair", "tamp")
    hand.until("tamp.press_up")
    assert not hand.value("tamp.press_down")


def test_a_table_stops_at_45(hand) -> None:
    hand.warn()
    fault(hand, "turn", "stops_at_45")
    hand.set("turn.to_90")
    hand.wait(20_000)
    assert not hand.value("turn.at_0") and not hand.value("turn.at_90")
    hand.plant.do("repair", "turn")
    hand.until("turn.at_90")


def test_a_magazine_feeds_two_or_none(hand) -> None:
    hand.warn()
    fault(hand, "magazine", "feeds_none")
    hand.feed()
    assert not hand.value("magazine.exit_eye")
    hand.plant.do("repair", "magazine")
    fault(hand, "magazine", "feeds_two")
    hand.feed()
    assert hand.value("magazine.exit_eye") and not hand.value("magazine.single")
    hand.plant.do("take out", "magazine")
    assert hand.value("magazine.single") and hand.value("magazine.exit_eye")
    assert hand.rules() == []


def test_supplies_run_out_and_stay_out_until_refilled(hand) -> None:
    hand.warn()
    fault(hand, "magazine", "empty")
    fault(hand, "fill", "hopper_empty")
    fault(hand, "seed", "seed_empty")
    hand.wait(600_000)
    assert not hand.value("magazine.not_empty")
    assert hand.value("fill.hopper_level") == hand.value("seed.seed_level") == 0
    for part in ("magazine", "fill", "seed"):
        hand.plant.do("refill", part)
    assert hand.value("magazine.not_empty")
    assert hand.value("fill.hopper_level") == 200


def test_a_leaking_valve_is_metered_and_not_the_controllers_fault(hand) -> None:
    fault(hand, "water", "valve_leaks")
    hand.wait(60_000)
    assert hand.value("water.flow_pulses") == 48  # 4 ml/s for 60 s at 200 pulses a litre
    assert hand.rules() == []


def test_without_supply_no_water_flows(hand) -> None:
    hand.warn()
    hand.plant.do("put in", "water")
    fault(hand, "water", "supply_lost")
    assert not hand.value("water.supply_ok")
    hand.set("water.flow_rate", 100)
    hand.set("water.valve")
    hand.wait(3000)
    assert hand.value("water.flow_pulses") == 0


def test_a_poor_vacuum_drops_fewer_seeds(hand) -> None:
    hand.warn()
    hand.sow()
    good = hand.plant.report()["seeds"]
    hand.plant.do("take out", "turn")
    fault(hand, "seed", "vacuum_low")
    hand.vacuum = lambda: hand.set("seed.pump")  # type: ignore[method-assign]
    hand.sow()
    assert hand.plant.report()["seeds"] - good < 0.8 * good


def test_without_air_the_press_springs_up_and_the_grip_holds(hand) -> None:
    hand.warn()
    hand.sow()
    hand.turn("turn", "90")
    hand.take("infeed")
    hand.plant.do("put in", "tamp")
    hand.set("tamp.clamp")
    hand.until("tamp.clamped")
    hand.set("tamp.press")
    hand.until("tamp.press_down")
    fault(hand, "sowing", "air_lost")
    hand.until("sowing.air_ok", False)
    hand.until("tamp.press_up")
    assert not hand.value("tamp.clamped")
    hand.off("infeed.grip")
    hand.set("infeed.extend")
    hand.wait(5000)
    assert hand.value("infeed.gripped") and hand.value("infeed.gripper_home")


def test_a_skewed_gutter_lights_its_eye_for_longer(small) -> None:
    lit = {}
    for skewed in (False, True):
        plant = linectl_sim.open(small, 1)
        from_tag = small.tags
        plant.do("put in", "magazine")
        if skewed:
            plant.do("fault", "fill", kind="skewed")
        for station in ("magazine", "fill"):
            plant.write(from_tag[f"{station}.speed"], 250)
            plant.write(from_tag[f"{station}.run"], True)
        times = []
        while plant.run_until(60_000) < 60_000:
            if from_tag["fill.entry_eye"] in plant.take_changed():
                times.append(plant.now)
        lit[skewed] = times[1] - times[0]
    assert lit[False] == pytest.approx(1800 / 0.25, abs=2)
    assert lit[True] == pytest.approx(1800 * 1.15 / 0.25, abs=2)


def test_a_silent_device_loses_writes_and_its_watchdog_acts(hand) -> None:
    hand.warn()
    hand.speed("fill")
    hand.set("fill.run")
    hand.wait(1000)
    fault(hand, "belts_sower", "silent")
    assert not hand.plant.answers("belts_sower")
    hand.set("fill.speed", 100)
    assert hand.value("fill.speed") == 250
    hand.wait(1000)
    assert hand.value("fill.run") == 0
    hand.plant.do("repair", "belts_sower")
    assert hand.plant.answers("belts_sower")


def test_a_late_device_answers_again_before_it_counts_as_silent(hand) -> None:
    fault(hand, "io_sower", "late")
    limit = hand.plant.site.file.devices["io_sower"].silent_after_ms
    silent_since, longest, answered = 0, 0, 0
    for now in range(0, 20_000, 5):
        hand.wait(5)
        if hand.plant.answers("io_sower"):
            silent_since = now
            answered += 1
        longest = max(longest, now - silent_since)
    assert 0 < answered < 4000
    assert longest < limit


def test_a_card_without_supply_reads_zero_and_drives_nothing(hand) -> None:
    hand.warn()
    hand.plant.do("put in", "water")
    hand.set("water.flow_rate", 100)
    hand.set("water.valve")
    hand.wait(1000)
    before = hand.plant.report()["water_ml"]
    fault(hand, "io_sower", "supply_lost")
    assert hand.plant.answers("io_sower")
    assert not hand.value("sowing.estop_ok") and hand.value("fill.hopper_level") == 0
    assert hand.value("water.valve")
    hand.wait(1000)
    assert hand.plant.report()["water_ml"] == pytest.approx(before)
    hand.plant.do("repair", "io_sower")
    assert hand.value("sowing.estop_ok")


def test_power_cut_stops_everything_and_brings_nothing_back_on(stocked) -> None:
    hand = stocked
    hand.plant.do("take out", "lane1.grow.7")
    hand.set("lane1.grow.stroke")
    hand.wait(1000)
    hand.plant.do("cut power", for_ms=3000)
    assert not hand.plant.answers("io_lanes")
    hand.set("lane1.grow.stroke")
    hand.wait(4000)
    assert hand.plant.answers("io_lanes")
    hand.wait(20_000)
    assert not hand.value("lane1.grow.forward")
    assert not hand.value("lane1.grow.home")


def test_a_gripped_gutter_stays_gripped_through_a_power_cut(stocked) -> None:
    hand = stocked
    hand.travel("outfeed", 0)
    hand.take("outfeed")
    hand.plant.do("cut power", for_ms=3000)
    hand.wait(10_000)
    assert hand.value("outfeed.gripped")
    assert hand.rules() == []


def test_unknown_parts_and_kinds_say_the_nearest(hand) -> None:
    with pytest.raises(UsageError, match=r"did you mean 'stuck_on'"):
        fault(hand, "fill.exit_eye", "stuck_onn")
    with pytest.raises(UsageError, match=r"did you mean 'fill.exit_eye'"):
        fault(hand, "fill.exit_eey", "stuck_on")


def test_gutters_taken_out_and_put_in_by_hand_are_counted(hand) -> None:
    hand.plant.stock([Slot("lane1.germ.1", 5, "green_oakleaf", 0, 0)])
    for place in ("magazine", "infeed", "lane1.lift", "lane1.germ.0", "lane2.grow.7", "turnout"):
        hand.plant.do("put in", place)
        assert hand.plant.places()[place] == -1
    hand.plant.do("put in", "lane1.germ.1")
    assert hand.plant.places()["lane1.germ.1"] == 5
    for place in ("lane1.germ.1", "lane1.lift", "infeed"):
        hand.plant.do("take out", place)
        assert hand.plant.places()[place] is None
    counts = hand.plant.report()["gutters"]
    assert counts["in_lanes_at_start"] + counts["put_into_lanes"] == (
        counts["in_lanes"] + counts["removed_from_lanes"]
    )
    assert counts["removed"] == 3
