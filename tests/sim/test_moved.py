"""What somebody at the machine sees move, held against the feedbacks and the times."""

from __future__ import annotations

import pytest

import linectl_sim
from linectl.site.faults import BACKWARDS, STUCK, actuator_faults
from linectl_sim.serve_plant import PlantServer


@pytest.fixture
def look(hand):
    """The hand, warned, and everything so far looked at."""
    hand.warn()
    hand.off(*(tag for tag in hand.tags if tag.endswith((".air", ".grip"))))
    hand.wait(1000)
    hand.plant.moved("tester")

    def seen() -> dict:
        return hand.plant.moved("tester")

    return seen


def test_only_what_is_on_or_has_moved_is_told_and_only_once_to_each_who_asks(hand, look) -> None:
    hand.set("sowing.beacon")
    hand.wait(500)
    hand.off("sowing.beacon")
    hand.wait(500)
    assert set(look()) == {"sowing.beacon"}
    assert look() == {}
    assert hand.plant.moved("another")["sowing.beacon"]["on_ms"] == 500


def test_a_belt_tells_its_travel_ramps_and_run_down_included(hand, look) -> None:
    hand.speed("fill")
    hand.set("fill.run")
    hand.wait(2000)
    hand.off("fill.run")
    hand.wait(1000)
    told = look()["fill.run"]
    # 2 s less half the ramp up, and half the ramp down: 2 s at 250 mm/s (definition of speed)
    assert told == {"on": False, "on_ms": 2000, "direction": 1, "mm": 500.0, "way": None}


def test_an_actuator_that_is_driven_against_its_end_is_on_and_has_not_moved(hand, look) -> None:
    hand.set("turn.to_0")
    hand.wait(300)
    assert look()["turn.to_0"] == {
        "on": True, "on_ms": 300, "direction": 1, "mm": None, "way": 0.0,
    }  # fmt: skip


def test_a_table_tells_the_share_of_its_way_each_way_by_its_own_tag(hand, look) -> None:
    hand.turn("turn", "90")
    hand.turn("turn", "0")
    told = look()
    assert told["turn.to_90"]["way"] == pytest.approx(1, abs=0.001)
    assert told["turn.to_0"]["way"] == pytest.approx(1, abs=0.001)
    hand.set("turn.to_90")
    turn_ms = hand.plant.site.file.stations["turn"].turn_ms
    hand.wait(turn_ms // 4)
    assert look()["turn.to_90"]["way"] == pytest.approx(0.25, abs=0.001)


def test_a_stroke_tells_its_way_and_a_lift_moves_only_with_its_brake_off(hand, look) -> None:
    hand.stroke("lane1.germ")
    assert look()["lane1.germ.stroke"]["way"] == pytest.approx(1, abs=0.001)
    hand.set("lane1.lift.up")
    hand.wait(1000)
    assert look()["lane1.lift.up"]["way"] == 0
    hand.off("lane1.lift.up")
    hand.hoist("lane1.lift", "up")
    assert look()["lane1.lift.up"]["way"] == pytest.approx(1, abs=0.001)


def test_a_carriage_tells_how_far_from_where_it_was(hand, look) -> None:
    home_mm = hand.plant.site.file.stations["infeed"].home_mm
    hand.set("infeed.target", home_mm + 40)
    hand.set("infeed.run")
    hand.wait(5000)
    assert look()["infeed.run"]["mm"] == 40


def test_of_swapped_outputs_the_actuator_that_moved_is_told(hand, look) -> None:
    hand.plant.do("miswire", "turn.to_0", kind="swapped", other="turn.to_90")
    hand.set("turn.to_0")
    hand.wait(1000)
    assert set(look()) == {"turn.to_90"}


def test_each_coming_on_and_going_off_is_told_once_to_each_who_asks(hand, look) -> None:
    plant = hand.plant
    plant.switched("tester")
    at_ms = plant.now
    hand.set("sowing.beacon")
    hand.wait(500)
    hand.off("sowing.beacon")
    hand.set("sowing.beacon")
    told = [
        (at_ms, "sowing.beacon", True),
        (at_ms + 500, "sowing.beacon", False),
        (at_ms + 500, "sowing.beacon", True),
    ]
    assert plant.switched("tester") == told
    assert plant.switched("tester") == []
    assert plant.switched("another")[-3:] == told


def test_a_device_shows_the_number_that_came_to_it(hand) -> None:
    hand.speed("fill")
    hand.plant.do("miswire", "fill.speed", kind="scale", by=0.1)
    hand.set("water.flow_rate", 12.5)
    shown = hand.plant.set_points()
    assert (shown["fill.speed"], shown["water.flow_rate"]) == (25, 12.5)


# stuck and backwards


def test_a_stuck_valve_never_opens(hand, look) -> None:
    hand.plant.do("fault", "water.valve", kind=STUCK)
    hand.water()
    assert "water.valve" not in look()
    assert hand.value("water.flow_pulses") == 0
    hand.plant.do("repair", "water.valve")
    hand.set("water.valve")
    hand.wait(100)
    assert look()["water.valve"]["on_ms"] == 100


def test_a_valve_that_sticks_open_stays_open_until_it_is_repaired(hand, look) -> None:
    hand.set("tamp.clamp")
    hand.wait(100)
    hand.plant.do("fault", "tamp.clamp", kind=STUCK)
    hand.off("tamp.clamp")
    hand.wait(100)
    assert look()["tamp.clamp"] == {
        "on": True, "on_ms": 200, "direction": 1, "mm": None, "way": None,
    }  # fmt: skip
    hand.plant.do("repair", "tamp.clamp")
    assert look() == {}


def test_a_belt_that_turns_backwards_says_that_it_runs_and_brings_nothing_on(hand, look) -> None:
    hand.plant.do("fault", "magazine.run", kind=BACKWARDS)
    hand.set("sowing.air")
    hand.wait(500)
    hand.feed()
    hand.speed("magazine")
    hand.set("magazine.run")
    hand.wait(10_000)
    assert hand.value("magazine.running")
    hand.off("magazine.run")
    hand.wait(1000)
    told = look()["magazine.run"]
    assert told["direction"] == -1 and told["mm"] == pytest.approx(-2500, abs=1)
    assert not hand.value("fill.entry_eye")
    hand.plant.do("repair", "magazine.run")
    hand.set("magazine.run")
    hand.until("fill.entry_eye")  # the gutter that stood goes on from where it was
    assert look()["magazine.run"]["direction"] == 1


def test_a_carriage_whose_motor_is_reversed_runs_away_from_its_target(hand, look) -> None:
    hand.plant.do("fault", "infeed.run", kind=BACKWARDS)
    home_mm = hand.plant.site.file.stations["infeed"].home_mm
    hand.set("infeed.target", home_mm + 100)
    hand.set("infeed.run")
    hand.wait(5000)
    told = look()["infeed.run"]
    assert (told["direction"], told["mm"]) == (-1, -100)
    assert hand.value("infeed.position") == home_mm - 100


@pytest.mark.parametrize(
    ("tag", "on", "nothing"),
    [
        ("fill.doser", "fill.doser_running", lambda machine: machine.filler.outlet.total),
        ("seed.drum", "seed.drum_running", lambda machine: machine.seeder.outlet.total),
        ("seed.pump", None, lambda machine: machine.seeder.vacuum_kpa),
    ],
)
def test_what_turns_backwards_gives_nothing_though_it_runs(hand, look, tag, on, nothing) -> None:
    hand.plant.do("fault", tag, kind=BACKWARDS)
    hand.set("fill.doser_rate", 500)
    hand.set("seed.drum_rate", 20)
    hand.speed("seed")
    hand.set("seed.run")
    hand.set("seed.pump")
    hand.set(tag)
    hand.wait(4000)
    assert look()[tag]["direction"] == -1
    assert on is None or hand.value(on)
    assert nothing(hand.plant.machine) == 0


def test_every_fault_of_an_actuator_starts_and_is_repaired(small) -> None:
    plant = linectl_sim.open(small, 1)
    fresh = linectl_sim.open(small, 1)
    kinds = actuator_faults(small)
    assert {tag for tag, found in kinds.items() if BACKWARDS in found} >= {
        "fill.run", "infeed.run", "fill.doser", "tamp.brush", "seed.pump", "lane1.lift.belt",
    }  # fmt: skip
    for tag, found in kinds.items():
        for kind in found:
            plant.do("fault", tag, kind=kind)
            plant.do("repair", tag)
    for one in (plant, fresh):
        while one.run_until(20_000) < 20_000:
            pass
    indices = range(len(small.points))
    assert [plant.read(i) for i in indices] == [fresh.read(i) for i in indices]
    assert plant.report()["violations"] == []


def test_the_talk_port_tells_what_has_moved(hand, small) -> None:
    server = PlantServer(small, hand.plant)
    assert server._told({"moved": "me"}) == {"moved": hand.plant.moved("another")}
    assert server._told({"do": "miswire", "part": "fill.run", "options": {"kind": "scale"}})[
        "error"
    ].startswith("fill.run cannot be 'scale'")
