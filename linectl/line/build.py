"""A site's facts → the line's parts, and every interlock row; the rest of the line sees no tags."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from linectl.line import dosers, sower
from linectl.line.carriage import Carriage
from linectl.line.cause_rows import Cause
from linectl.line.conveyor import Conveyor
from linectl.line.device_rows import device_rows, supply_rows
from linectl.line.harvest import TurnOut
from linectl.line.inputs import Inputs
from linectl.line.lane import Lane
from linectl.line.part import Part
from linectl.line.permissives import structural_rows
from linectl.line.rows import site_rows
from linectl.line.trips import Infeed, Outfeed
from linectl.line.units import Harvest, Sowing
from linectl.site import machine
from linectl.site.model import Site

if TYPE_CHECKING:
    from linectl.line.line import Line

_BELTS: dict[str, type[Conveyor]] = {
    "magazine": sower.Magazine,
    "fill": dosers.Fill,
    "tamp": sower.Tamp,
    "water": dosers.Water,
    "seed": dosers.Seed,
    "turn": sower.Turn,
}


@dataclass(frozen=True)
class Ends:
    """The stations that others must know by name."""

    magazine: sower.Magazine
    water: dosers.Water
    seed: dosers.Seed
    turn: sower.Turn
    infeed: Infeed
    outfeed: Outfeed
    turnout: TurnOut
    belts: tuple[Conveyor, ...]

    @property
    def carriages(self) -> tuple[Carriage, ...]:
        """Both carriages."""
        return (self.infeed, self.outfeed)

    @property
    def wet_parts(self) -> tuple[Part, ...]:
        """Where a wet gutter may stand."""
        return (self.water, self.seed, self.turn, self.infeed)

    def sower_could(self, now: int) -> bool:
        """True if a sowing station could begin a step."""
        infeed = self.infeed
        return (
            any(belt.would_take(now) for belt in self.belts)
            or (infeed.state == "at_pick" and self.turn.state == "offered")
            or (infeed.state in ("loaded", "at_put") and not infeed.no_lane)
        )

    def harvest_could(self, now: int) -> bool:
        """True if a harvest station could begin a step."""
        outfeed, turnout = self.outfeed, self.turnout
        inputs = outfeed.line.seen
        if turnout.state == "offered":
            return inputs.on[turnout.ready] and inputs.off[turnout.taken]
        if outfeed.state in ("loaded", "at_put"):
            return turnout.receives()
        return outfeed.state in ("idle", "at_pick") and (outfeed.line.order.tail(now) is not None)


class Gates:
    """Which outputs a device's silence takes away, and which are always demanded."""

    def __init__(self, site: Site, parts: list[Part]) -> None:
        tags = [(point, point.tag.rsplit(".", 1)[0]) for point in site.points]
        masks = {part.name: part.mask for part in parts}
        self.always = sum(1 << point.index for point, _ in tags if point.tag.endswith(".air"))
        outputs = sum(1 << point.index for point in site.points if point.direction == "out")
        self._outputs = outputs
        self._devices: list[tuple[int, int]] = []
        """(a point of the device that tells its quality, outputs lost with it)."""
        for device in site.file.devices:
            first = next(
                (p.index for p in site.points if p.device == device and p.direction == "in"), None
            )
            if first is None:
                continue
            lost = 0
            for point, part in tags:
                if point.device != device:
                    continue
                if point.direction == "out":
                    lost |= 1 << point.index
                lost |= masks.get(part, 0)
            self._devices.append((first, lost))

    def all_good(self, inputs: Inputs) -> bool:
        """True while every device with inputs is good."""
        return all(inputs.good[index] for index, _ in self._devices)

    def silent(self, inputs: Inputs, bits: int) -> list[int]:
        """A point of each silent device without which these outputs are off."""
        return [index for index, lost in self._devices if lost & bits and not inputs.good[index]]

    def ready(self, inputs: Inputs) -> int:
        """Bits of the outputs whose own and whose station's devices are good."""
        ready = self._outputs
        for index, lost in self._devices:
            if not inputs.good[index]:
                ready &= ~lost
        return ready


@dataclass(frozen=True)
class Machinery:
    """Everything `build` makes for a line."""

    sowing: Sowing
    harvest: Harvest
    lanes: list[Lane]
    stations: list[Part]
    """Downstream first: harvest, then the sower from the lanes back to the magazine."""
    ends: Ends
    causes: tuple[Cause, ...]
    gates: Gates


def rows_of(site: Site) -> tuple[Cause, ...]:
    """Every interlock row of a site: what its file says, then what follows from its hardware."""
    io = site.tags
    written = site_rows(site, io)
    return (
        *written, *device_rows(site), *supply_rows(site, written), *structural_rows(site, io)
    )  # fmt: skip


def build(line: Line) -> Machinery:
    """Parts, units and interlock rows of the line's site."""
    site = line.site
    io = site.tags
    sowing, harvest = Sowing(line, "sowing", io), Harvest(line, "harvest", io)
    by_kind: dict[str, tuple[str, machine.Station]] = {
        station.kind: (name, station) for name, station in site.file.stations.items()
    }
    belts = _belts(line, by_kind, sowing, io)
    infeed = Infeed(line, *_carriage(by_kind, "infeed", sowing), io)
    outfeed = Outfeed(line, *_carriage(by_kind, "outfeed", harvest), io)
    hall, packing = by_kind["packing"]
    name, facts = by_kind["turnout"]
    assert isinstance(facts, machine.TurnOut) and isinstance(packing, machine.Packing)
    turnout = TurnOut(line, name, harvest, facts, packing, hall, io)
    magazine, _, _, water, seed, turn = belts
    assert isinstance(magazine, sower.Magazine) and isinstance(water, dosers.Water)
    assert isinstance(seed, dosers.Seed) and isinstance(turn, sower.Turn)
    infeed.turn, outfeed.turnout = turn, turnout
    sowing.parts = [infeed, *reversed(belts)]
    harvest.parts = [turnout, outfeed]
    lanes = [Lane(line, lane, io) for lane in site.file.lanes]
    stations: list[Part] = [*harvest.parts, *sowing.parts]
    parts: list[Part] = [*lanes, *stations]
    rows = rows_of(site)
    ends = Ends(magazine, water, seed, turn, infeed, outfeed, turnout, tuple(belts))
    return Machinery(sowing, harvest, lanes, stations, ends, rows, Gates(site, parts))


def _belts(
    line: Line, by_kind: dict[str, tuple[str, machine.Station]], unit: Sowing, io: dict[str, int]
) -> list[Conveyor]:
    belts: list[Conveyor] = []
    for kind, cls in _BELTS.items():
        name, facts = by_kind[kind]
        belt = cls(line, name, unit, facts, io)  # type: ignore[arg-type]
        if belts:
            belt.upstream = belts[-1]
            belts[-1].downstream = belt
        belts.append(belt)
    return belts


def _carriage(
    by_kind: dict[str, tuple[str, machine.Station]], kind: str, unit: Sowing | Harvest
) -> tuple[str, Sowing | Harvest, machine.Carriage]:
    name, facts = by_kind[kind]
    assert isinstance(facts, machine.Carriage)
    return name, unit, facts
