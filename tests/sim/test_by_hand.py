"""The plant's enabling devices, and what the auditor makes of motion by hand."""

from __future__ import annotations

from pathlib import Path

import pytest

from linectl.errors import UsageError
from linectl.image import Move
from linectl.site.load import load_site
from linectl_sim.plant import PlantModel

CONFIG = Path(__file__).parents[2] / "config"
SMALL = load_site(CONFIG / "small")
WARN_MS = SMALL.file.limits.start_warning_ms


@pytest.fixture
def plant():
    plant = PlantModel(SMALL, seed=1)
    for zone in SMALL.file.zones:
        write(plant, f"{zone}.air", True)
    write(plant, "fill.speed", 250)
    run(plant, 1_000)
    return plant


def run(plant, ms):
    until = plant.now + ms
    while plant.run_until(until) < until:
        pass


def write(plant, tag, value):
    plant.write(SMALL.index(tag), value)


def warn(plant, zone, ms=WARN_MS + 100):
    write(plant, f"{zone}.horn", True)
    run(plant, ms)
    write(plant, f"{zone}.horn", False)


def rules(plant):
    return [row["rule"] for row in plant.auditor.violations]


def test_a_person_holds_an_enabling_device_and_lets_it_go(plant):
    index = SMALL.index("lanes.enabling")
    assert not plant.read(index)
    plant.do("enable", "lanes")
    assert plant.read(index) and not plant.read(SMALL.index("sowing.enabling"))
    plant.do("disable", "lanes")
    assert not plant.read(index)


def test_a_zone_without_an_enabling_device_says_so():
    points = tuple(p for p in SMALL.points if p.tag != "lanes.enabling")
    points = tuple(p.model_copy(update={"index": n}) for n, p in enumerate(points))
    plant = PlantModel(SMALL.model_copy(update={"points": points}), seed=1)
    with pytest.raises(UsageError, match="zone lanes has no enabling device"):
        plant.do("enable", "lanes")


PULSED = [("sowing", "fill.run"), ("lanes", "lane1.germ.stroke"), ("sowing", "turn.to_90")]


@pytest.mark.parametrize(("zone", "tag"), PULSED)
def test_the_enabling_device_is_no_warning(plant, zone, tag):
    plant.do("enable", zone)
    run(plant, 5_000)
    write(plant, tag, True)
    run(plant, 500)
    assert rules(plant) == ["motion_without_warning"]


@pytest.mark.parametrize(("zone", "tag"), PULSED)
def test_a_pulse_that_was_warned_breaks_no_rule(plant, zone, tag):
    plant.do("enable", zone)
    warn(plant, zone)
    write(plant, tag, True)
    run(plant, 1_000)
    assert plant.seen()["moving"] == [zone]
    write(plant, tag, False)
    run(plant, 5_000)
    assert rules(plant) == []


def test_a_press_on_nothing_is_the_persons_while_they_hold_the_device(plant):
    def press():
        warn(plant, "sowing")
        write(plant, "tamp.press", True)
        run(plant, 3_000)
        write(plant, "tamp.press", False)
        run(plant, 3_000)

    plant.do("enable", "sowing")
    press()
    assert rules(plant) == []
    plant.do("disable", "sowing")
    run(plant, 3_000)
    press()
    assert rules(plant) == ["press_on_nothing"]


def test_water_on_the_floor_is_the_persons_while_they_hold_the_device(plant):
    def pour(ms):
        write(plant, "water.flow_rate", 600)
        write(plant, "water.valve", True)
        run(plant, ms)
        write(plant, "water.valve", False)
        run(plant, 500)

    plant.do("enable", "sowing")
    warn(plant, "sowing")
    pour(2_000)
    assert rules(plant) == []
    plant.do("disable", "sowing")
    run(plant, 3_000)
    pour(2_000)
    assert rules(plant) == ["released_without_gutter"]


def test_a_stroke_by_hand_is_announced_to_nobody_and_counted_by_nobody(plant):
    plant.told(Move(1, "reserve", 1, "", "lane2.germ.0", "", False, plant.now))
    plant.do("enable", "lanes")
    warn(plant, "lanes")
    write(plant, "lane1.germ.stroke", True)
    run(plant, 4_000)
    write(plant, "lane1.germ.stroke", False)
    write(plant, "lane1.germ.back", True)
    run(plant, 4_000)
    assert rules(plant) == []
    plant.do("disable", "lanes")
    run(plant, 3_000)
    write(plant, "lane1.germ.back", False)
    write(plant, "lane1.germ.stroke", True)
    run(plant, 4_000)
    assert rules(plant) == ["moved_without_intent"]
