"""A hand at the outputs: drives the plant by tags, as a deliberately simple controller would."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest

import linectl_sim
from linectl.image import Move, Slot, Value
from linectl.site.load import load_site
from linectl.site.model import Site

ROOT = Path(__file__).parents[2]
ZONES = ("sowing", "harvest", "lanes")


class Hand:
    """Writes outputs and waits for inputs. Waiting too long is a failed test."""

    def __init__(self, plant: linectl_sim.PlantModel) -> None:
        self.plant = plant
        self.tags = plant.site.tags
        self.number = 0

    def set(self, tag: str, value: Value = True) -> None:
        self.plant.write(self.tags[tag], value)

    def off(self, *tags: str) -> None:
        for tag in tags:
            self.set(tag, False)

    def value(self, tag: str) -> Value:
        return self.plant.read(self.tags[tag])

    def wait(self, ms: int) -> None:
        end = self.plant.now + ms
        while self.plant.run_until(end) < end:
            pass
        self.plant.take_changed()

    def until(self, tag: str, value: Value = True, limit_ms: int = 60_000) -> None:
        end = self.plant.now + limit_ms
        while self.value(tag) != value:
            assert self.plant.now < end, f"{tag} did not become {value} within {limit_ms} ms"
            self.plant.run_until(end)

    def tell(self, kind: str, gutter: int, source: str, dest: str, crop: str = "") -> None:
        """Tell the plant a move, intended and done, as a ledger that trusts the hand."""
        self.number += 1
        for done in (False, True):
            now = self.plant.now
            self.plant.told(Move(self.number, kind, gutter, source, dest, crop, done, now))

    # the work of a shift

    def warn(self) -> None:
        """Air on; horns for four seconds."""
        for zone in ZONES:
            self.set(f"{zone}.air")
            self.set(f"{zone}.horn")
        self.wait(4000)
        self.off(*(f"{zone}.horn" for zone in ZONES))

    def speed(self, station: str) -> None:
        self.set(f"{station}.speed", 250)

    def feed(self) -> None:
        """One gutter from the magazine on its belt."""
        self.set("magazine.gate")
        self.until("magazine.gate_home", False)
        self.off("magazine.gate")
        self.until("magazine.gate_home")

    def convey(self, source: str, dest: str, tool: Callable[[], None] | None = None) -> None:
        """A gutter from zone to zone; `tool` is called when its head is just past dest's eye."""
        for station in (source, dest):
            self.speed(station)
            self.set(f"{station}.run")
        self.until(f"{dest}.entry_eye")
        if tool is not None:
            self.wait(800)
            tool()
        self.until(f"{dest}.entry_eye", False)
        self.off(f"{source}.run")
        self.until(f"{dest}.exit_eye")
        self.off(f"{dest}.run")
        self.wait(500)

    def fill(self) -> None:
        self.set("fill.doser_rate", 800)
        self.set("fill.doser")
        self.wait(5000)
        self.off("fill.doser")

    def tamp(self) -> None:
        self.set("tamp.clamp")
        self.until("tamp.clamped")
        self.set("tamp.press")
        self.until("tamp.press_down")
        self.wait(600)
        self.off("tamp.press")
        self.until("tamp.press_up")
        self.off("tamp.clamp")
        self.until("tamp.clamped", False)

    def water(self) -> None:
        self.set("water.flow_rate", 120)
        self.set("water.valve")
        self.wait(5000)
        self.off("water.valve")

    def seed(self) -> None:
        self.set("seed.drum_rate", 2.4)
        self.set("seed.drum")
        self.wait(5000)
        self.off("seed.drum")

    def vacuum(self) -> None:
        self.set("seed.pump")
        self.wait(3000)
        assert self.value("seed.vacuum") >= 8

    def sow(self) -> None:
        """Everything from the magazine to the turntable."""
        self.feed()
        self.convey("magazine", "fill", self.fill)
        self.convey("fill", "tamp")
        self.tamp()
        self.convey("tamp", "water", self.water)
        self.vacuum()
        self.convey("water", "seed", self.seed)
        self.off("seed.pump")
        self.convey("seed", "turn")

    def arm(self, carriage: str, way: str) -> None:
        end = {"extend": "gripper_out", "retract": "gripper_home"}[way]
        self.set(f"{carriage}.{way}")
        self.until(f"{carriage}.{end}")
        self.off(f"{carriage}.{way}")

    def travel(self, carriage: str, target_mm: int) -> None:
        self.set(f"{carriage}.target", target_mm)
        self.set(f"{carriage}.run")
        if self.value(f"{carriage}.position") != target_mm:
            self.until(f"{carriage}.running")
            self.until(f"{carriage}.running", False)
        self.off(f"{carriage}.run")
        assert self.value(f"{carriage}.position") == target_mm
        assert self.value(f"{carriage}.flag")

    def turn(self, table: str, way: str) -> None:
        self.set(f"{table}.to_{way}")
        self.until(f"{table}.at_{way}")
        self.off(f"{table}.to_{way}")

    def take(self, carriage: str) -> None:
        """Grip what is in front and bring it on board."""
        self.off(f"{carriage}.grip")
        self.wait(400)
        self.arm(carriage, "extend")
        self.set(f"{carriage}.grip")
        self.until(f"{carriage}.gripped")
        self.arm(carriage, "retract")
        assert self.value(f"{carriage}.on_board")

    def lay(self, carriage: str) -> None:
        """Lay what is on board in front."""
        self.arm(carriage, "extend")
        self.off(f"{carriage}.grip")
        self.until(f"{carriage}.gripped", False)
        self.arm(carriage, "retract")

    def index(self, lane_mm: int) -> None:
        """From the turntable into a lane's mouth."""
        self.turn("turn", "90")
        self.take("infeed")
        self.turn("turn", "0")
        self.travel("infeed", lane_mm)
        self.lay("infeed")
        self.travel("infeed", 1500)

    def stroke(self, run: str) -> None:
        self.set(f"{run}.stroke")
        self.until(f"{run}.forward")
        self.off(f"{run}.stroke")
        self.set(f"{run}.back")
        self.until(f"{run}.home")
        self.off(f"{run}.back")

    def belt(self, transfer: str, until: str, value: Value = True) -> None:
        self.set(f"{transfer}.belt")
        self.until(until, value)
        self.off(f"{transfer}.belt")

    def hoist(self, lift: str, way: str) -> None:
        self.set(f"{lift}.brake")
        self.until(f"{lift}.brake_released")
        self.set(f"{lift}.{way}")
        self.until(f"{lift}.at_{way}")
        self.off(f"{lift}.{way}", f"{lift}.brake")

    def lift_over(self, lane: str) -> None:
        """From the germination run over the lift into the grow run."""
        lift = f"{lane}.lift"
        self.belt(lift, f"{lift}.on_board")
        self.until(f"{lift}.low_clear")
        self.hoist(lift, "up")
        self.belt(lift, f"{lane}.grow.first_eye")
        self.until(f"{lift}.high_clear")
        self.hoist(lift, "down")

    def eject(self, lane_mm: int) -> None:
        """From a lane's tail on the turn-out, back at 0°."""
        self.travel("outfeed", lane_mm)
        self.take("outfeed")
        self.travel("outfeed", 1500)
        self.turn("turnout", "90")
        self.lay("outfeed")
        self.turn("turnout", "0")

    def hand_over(self) -> None:
        self.until("packing.ready", limit_ms=120_000)
        self.set("packing.offer")
        self.speed("turnout")
        self.set("turnout.run")
        self.until("packing.taken")
        self.off("turnout.run", "packing.offer")
        self.until("packing.taken", False)

    def rules(self) -> list[str]:
        """Names of the rules broken so far, in order."""
        return [violation["rule"] for violation in self.plant.report()["violations"]]


@pytest.fixture(scope="session")
def small() -> Site:
    return load_site(ROOT / "config" / "small")


@pytest.fixture
def hand(small: Site) -> Hand:
    return Hand(linectl_sim.open(small, seed=1))


def full_lane(site: Site, lane: int, gutter: int = 1) -> list[Slot]:
    """Ripe gutters in every slot of a lane."""
    facts = next(item for item in site.file.lanes if item.id == lane)
    slots = []
    for run in facts.runs:
        for slot in range(run.slots):
            place = f"lane{lane}.{run.name}.{slot}"
            slots.append(Slot(place, gutter, facts.crops[0], -1_000_000, -1))
            gutter += 1
    return slots


@pytest.fixture
def stocked(small: Site) -> Hand:
    """Lane 1 full of ripe gutters 1 to 12, lane 2 empty; air on, horns sounded."""
    plant = linectl_sim.open(small, seed=1)
    plant.stock(full_lane(small, 1))
    hand = Hand(plant)
    hand.warn()
    return hand
