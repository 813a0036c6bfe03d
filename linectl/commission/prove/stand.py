"""The line on the plant in virtual time, watched: what it saw, named, wrote, and when."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, field
from functools import partial
from typing import Any

from linectl.commission.prove.promised import Promise
from linectl.image import Command, Event, Frame, Move, Start, Value
from linectl.line import Line
from linectl.runtime.bench import Bench
from linectl.runtime.grid import bus_grid
from linectl.runtime.plant import Plant, open_plant
from linectl.runtime.standing import standing
from linectl.site.model import Site

Acting = Callable[[Plant], None]
"""Something done to the plant between two scans."""

UNITS = ("sowing", "harvest")


@dataclass(frozen=True)
class Verdict:
    """What the line says that one cause stops now: the table that gate and `why` use."""

    outputs: frozenset[int]
    units: frozenset[tuple[str, str]]
    """(unit, action)."""
    stations: frozenset[str]
    barred: frozenset[int] = frozenset()
    """Outputs that may not come on."""
    barred_units: frozenset[str] = frozenset()

    def __bool__(self) -> bool:
        return bool(self.outputs or self.units or self.stations or self.barred or self.barred_units)


@dataclass(frozen=True)
class Loss:
    """A planted defect in what a device's silence takes along: of which kind, at which outputs."""

    kind: str
    bits: int
    instead: int
    delay_ms: int


class WatchedLine(Line):
    """A line whose scans are watched; `ungated` outputs go round the gate and `loss` is wrong
    about a silent device (planted defects)."""

    def __init__(self, site: Site, start: Start) -> None:
        super().__init__(site, start)
        self.watcher: Callable[[int], None] = lambda now: None
        self.ungated = 0
        self.loss: Loss | None = None
        self._lost_at: int | None = None
        self.counted_ready = 0
        """Bits of the outputs that the last scan's gate counted as ready."""

    def scan(self, frame: Frame, now: int) -> bool:
        changed = super().scan(frame, now)
        self.watcher(now)
        return changed

    def _gate(self, now: int) -> None:
        demanded = self.demand() & self.ungated
        ready = self.ready
        if self.loss is not None:
            self.ready = self._wrongly_ready(self.loss, now)
        self.counted_ready = self.ready
        super()._gate(now)
        self.ready = ready
        past = (self._bits ^ demanded) & self.ungated
        if past:
            self._bits ^= past
            self._write_bits(past & ~demanded, False)
            self._write_bits(past & demanded, True)
            self.changed = True

    def _wrongly_ready(self, loss: Loss, now: int) -> int:
        lost = bool(loss.bits & ~self.ready)
        if not lost:
            self._lost_at = None
            return self.ready & ~loss.bits if loss.kind == "inverted" else self.ready
        self._lost_at = now if self._lost_at is None else self._lost_at
        if loss.kind == "delayed" and now - self._lost_at >= loss.delay_ms:
            return self.ready
        instead = loss.instead if loss.kind == "wrong zone" else 0
        return (self.ready | loss.bits) & ~instead

    def verdict(self, name: str) -> Verdict:
        """What the cause of that name stops now."""
        causes = self.causes
        stops = bars = 0
        units: set[tuple[str, str]] = set()
        stations: set[str] = set()
        starts: set[str] = set()
        for number, row in enumerate(causes.rows):
            if row.name != name or not causes.active[number]:
                continue
            live = causes.live[number]
            stops |= causes.stops(number)
            bars |= causes.bars(number)
            units |= {(a.unit, a.action) for a in row.actions if live or a.latched}
            stations |= {hold.station for hold in row.stations if live or hold.latched}
            starts |= set(row.bars_units) if live else set()
        return Verdict(
            bits_of(stops), frozenset(units), frozenset(stations), bits_of(bars), frozenset(starts)
        )


class WatchedPlant:
    """A plant whose inputs' edges and outputs' writes are noted as they happen."""

    def __init__(self, plant: Plant) -> None:
        self.plant = plant
        self.edges: dict[int, int] = {}
        """Input → when it last changed at its device."""
        self.writes: dict[tuple[int, Value], int] = {}
        """(output, value) → when the device was last written so."""

    def __getattr__(self, name: str) -> Any:
        return getattr(self.plant, name)

    def take_changed(self) -> list[int]:
        changed = self.plant.take_changed()
        for index in changed:
            self.edges[index] = self.plant.now
        return changed

    def write(self, index: int, value: Value) -> None:
        if self.plant.read(index) != value:
            self.writes[index, value] = self.plant.now
        self.plant.write(index, value)


@dataclass
class Record:
    """What a scan said that a proof asks for later."""

    moves: list[Move] = field(default_factory=list)

    def record(self, moves: Sequence[Move], events: Sequence[Event]) -> None:
        """Keep the moves; the events are not needed."""
        self.moves += moves


class Stand:
    """A site's line at work on its plant, the hard-wired cut disabled; times in ms."""

    def __init__(self, site: Site, seed: int, mode: str = "production") -> None:
        self.site = site
        slots = standing(site, 1.0)
        self.plant = WatchedPlant(open_plant(site, seed))
        self.plant.stock(slots)
        self.plant.do("hard cut", on=False)
        self.line = WatchedLine(site, Start(slots=slots))
        self.line.watcher = self._scanned
        self.record = Record()
        plant: Any = self.plant
        self.bench = Bench(site, plant, self.line, bus_grid(site), self.record)
        self.watchers: list[Callable[[int], None]] = []
        self.states: list[tuple[int, str, str]] = []
        """(time, unit, state) of every change."""
        self.came_on: list[tuple[int, int]] = []
        """(time, output) of every output that left its safe value."""
        self._known: dict[str, str] = {}
        self.bool_outputs = [p for p in site.points if p.direction == "out" and p.is_bool]
        self._safe = {p.index: bool(p.safe) for p in self.bool_outputs}
        if mode != "production":
            for unit in UNITS:
                self.bench.at(500, partial(self.command, unit, "mode", mode))
        for at_ms, name in ((1_000, "reset"), (2_000, "start")):
            for unit in UNITS:
                self.bench.at(at_ms, partial(self.command, unit, name))

    @property
    def now(self) -> int:
        """The present time."""
        return self.bench.now

    def command(self, unit: str, name: str, argument: str = "") -> None:
        """A person's command, for the next scan."""
        self.bench.command(Command(unit, name, argument, "the proof"))

    def do(self, acts: Iterable[Acting]) -> None:
        """Acts on the plant now, between two scans."""
        plant: Any = self.plant

        def all_of_them() -> None:
            for act in acts:
                act(plant)

        self.bench.act(all_of_them)

    def run_for(self, ms: int) -> None:
        """Run on for that long."""
        self.bench.run(self.now + ms)

    def state(self, unit: str) -> str:
        """A unit's state."""
        return next(u.state for u in self.line.units if u.name == unit)

    def is_on(self, index: int) -> bool:
        """True if the line's output is not at its safe value."""
        return bool(self.line.outputs[index]) != self._safe[index]

    def on_at_device(self, index: int) -> bool:
        """True if the device's output is not at its safe value."""
        return bool(self.plant.read(index)) != self._safe[index]

    def holds(self, promise: Promise) -> bool:
        """The cause as the line's inputs tell it now, judged by the promise, delays left out."""
        inputs, votes, bad = self.line.inputs, 0, 0
        for wanted in promise.wanted:
            index = wanted.index
            if not inputs.good[index]:
                bad += 1
            elif promise.origin != "silence":
                is_bool = wanted.level is not None
                votes += wanted.holds(inputs.on[index] if is_bool else inputs.value[index])
        if promise.origin == "supply":
            return votes >= promise.needed
        if promise.left_out:
            return votes >= promise.needed or len(promise.wanted) - bad < promise.needed
        return votes + bad >= promise.needed

    def _scanned(self, now: int) -> None:
        line = self.line
        for unit in line.units:
            if self._known.get(unit.name) != unit.state:
                self._known[unit.name] = unit.state
                self.states.append((now, unit.name, unit.state))
        for index in line.written:
            safe = self._safe.get(index)
            if safe is not None and bool(line.outputs[index]) != safe:
                self.came_on.append((now, index))
        for watcher in self.watchers:
            watcher(now)


def bits_of(bits: int) -> frozenset[int]:
    """The indices of the set bits."""
    found = set()
    while bits:
        low = bits & -bits
        found.add(low.bit_length() - 1)
        bits ^= low
    return frozenset(found)
