"""The bench: line and plant in virtual time, leaping from one thing that happens to the next.

Order at equal times: plant, samples, writes, scan. A tick is skipped only if the last scan
changed nothing, nothing is on its way to the line, and no due has come; with `every_tick` none
is skipped and every read looks at every point, and the outcome must be the same.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Protocol

from linectl.image import Command, Event, Frame, Move, Value
from linectl.line import Line
from linectl.registers.codec import decoder, encoder
from linectl.runtime.grid import Grid, Tap
from linectl.runtime.plant import Plant
from linectl.runtime.trip_record import TripRecorder
from linectl.site.model import Site

FAR = 1 << 62


class Recorder(Protocol):
    """Takes what a scan produced; moves are durable once it returns."""

    def record(self, moves: Sequence[Move], events: Sequence[Event]) -> None:
        """Keep moves and events in order."""


class Bench:
    """One line on one plant. `ticks` counts scan periods passed, `scans` those executed."""

    def __init__(
        self, site: Site, plant: Plant, line: Line, grid: Grid, recorder: Recorder,
        every_tick: bool = False, trips: TripRecorder | None = None,
    ) -> None:  # fmt: skip
        self.site, self.plant, self.line = site, plant, line
        self.recorder = recorder
        self._trips = trips
        self.every_tick = every_tick
        self.now = 0
        self.scans = 0
        self.ledger_stuck = False
        """True: moves are recorded but never said to be durable, as with a disk that hangs."""
        self._scan_ms = site.file.scan_ms
        self._grid = grid
        self._taps = (*grid.reads, *grid.writes.values())
        self._tap_of = grid.of_points()
        self._bus_of = {p.index: site.file.devices[p.device].bus for p in site.points}
        self._device_of = [p.device for p in site.points]
        self._through = {
            p.index: _wire(decoder(p), encoder(p)) for p in site.points if not p.is_bool
        }
        self._seen: dict[int, Value] = {}
        self._raw: dict[int, Value] = {}
        """As the device gave it when it was looked at last; told onward is `_seen`."""
        self._good = dict.fromkeys(site.file.devices, False)
        self._silent_due: dict[str, int] = {}
        self._arrivals: list[tuple[int, list[tuple[int, Value]], list[tuple[int, bool]]]] = []
        self._pending: dict[str, dict[int, Value]] = {bus: {} for bus in site.file.buses}
        self._passed = -1
        """Samples at and before this time are over."""
        self._acks: list[tuple[int, int]] = []
        self._commands: list[Command] = []
        self._agenda: list[tuple[int, Callable[[], None]]] = []
        for tap in grid.reads:
            tap.dirty = set(tap.points)
            tap.due = tap.instant(0)

    # what others put in ------------------------------------------------------------------------

    def at(self, time: int, act: Callable[[], None]) -> None:
        """Do `act` at that time (rounded up to a tick), after its scan."""
        self._agenda.append((self._tick(time), act))
        self._agenda.sort(key=lambda entry: entry[0])

    def command(self, command: Command) -> None:
        """Queue a command for the next scan.

        Who says by the plain `crop` that another crop is in the drum has put it there; in a
        changeover people do so by the verb `change seed`, before they say it.
        """
        self._commands.append(command)
        if command.name == "crop" and command.argument in self.site.crops.crops:
            crop, stations = command.argument, self.site.file.stations
            (seeder,) = (name for name, facts in stations.items() if facts.kind == "seed")
            self.act(lambda: self.plant.do("change seed", seeder, crop=crop))

    def act(self, act: Callable[[], None]) -> None:
        """Do `act` on the plant now, between two scans."""
        act()
        self._mark(self.plant.take_changed(), self.now)

    # the loop ----------------------------------------------------------------------------------

    def run(self, until: int, progress: Callable[[int], None] | None = None) -> None:
        """Run to `until` ms. `progress` is told the time about once a simulated minute."""
        told = self.now
        must = True
        while self.now < until:
            target = self._target(must, until)
            self._advance(target)
            must = self._scan()
            if progress is not None and self.now - told >= 60_000:
                told = self.now
                progress(self.now)
        if progress is not None:
            progress(self.now)

    @property
    def ticks(self) -> int:
        """Scan periods passed so far."""
        return self.now // self._scan_ms

    def _tick(self, time: int) -> int:
        return -(-time // self._scan_ms) * self._scan_ms

    def _target(self, must: bool, until: int) -> int:
        """The tick to leap to, if nothing comes up on the way."""
        following = self.now + self._scan_ms
        if must or self.every_tick or self._commands:
            return following
        due = self.line.next_due()
        times = [until]
        if due is not None:
            times.append(due)
        if self._acks:
            times.append(self._acks[0][0])
        if self._agenda:
            times.append(self._agenda[0][0])
        if self._arrivals:
            times.append(self._arrivals[0][0])
        times.extend(self._silent_due.values())
        return max(following, self._tick(min(times)))

    def _advance(self, target: int) -> None:
        """Plant, samples and writes up to and including `target`, or to what a scan must see."""
        while True:
            stop = min(self._next_instant(), target)
            reached = self.plant.run_until(stop)
            self._mark(self.plant.take_changed(), reached)
            for due in self._silent_due.values():
                target = min(target, max(self._tick(due), self._tick(reached)))
            if reached < stop:
                continue
            if self._next_instant() == stop:
                self._serve(stop)
                self._passed = stop
                if self._arrivals:
                    target = min(target, max(self._tick(self._arrivals[0][0]), self._tick(stop)))
            if stop >= target:
                break
        self._passed = self.now = target

    def _next_instant(self) -> int:
        nearest = FAR
        if self.every_tick:
            first = self._passed + 1
            for tap in self._taps:
                if tap.poll < first:
                    tap.poll = tap.instant(first)
                if tap.poll < nearest:
                    nearest = tap.poll
            return nearest
        for tap in self._grid.reads:
            if tap.due is not None and tap.due < nearest:
                nearest = tap.due
        for tap in self._grid.writes.values():
            if tap.due is not None and tap.due < nearest:
                nearest = tap.due
        return nearest

    def _mark(self, changed: list[int], time: int) -> None:
        after = max(time, self._passed + 1)
        for index in changed:
            tap = self._tap_of[index]
            tap.dirty.add(index)
            if tap.due is None:
                tap.due = tap.instant(after)
            device = tap.device
            if self._good[device] and device not in self._silent_due:
                self._watch(device, time)

    def _watch(self, device: str, time: int) -> None:
        """If the device has fallen silent: when its last good answer will be too old."""
        if self.plant.answers(device):
            return
        last = max(tap.last_before(time) for tap in self._grid.reads if tap.device == device)
        limit = self.site.file.devices[device].silent_after_ms
        self._silent_due[device] = max(last, 0) + limit

    def _serve(self, time: int) -> None:
        for tap in self._grid.reads:
            if tap.due == time or (self.every_tick and tap.poll == time):
                self._sample(tap, time)
        for bus, tap in self._grid.writes.items():
            if tap.due == time:
                self._write(bus, tap, time)

    def _sample(self, tap: Tap, time: int) -> None:
        tap.due = None
        device = tap.device
        if not self.plant.answers(device):
            return
        self._silent_due.pop(device, None)
        values: list[tuple[int, Value]] = []
        quality: list[tuple[int, bool]] = []
        asks = self.line.asks
        for index in self._of_interest(tap):
            self._look(index, index in asks, values)
        tap.dirty.clear()
        if not self._good[device]:
            self._good[device] = True
            for other in self._grid.reads:
                if other.device == device:
                    quality += [(index, True) for index in other.points]
                    if other is not tap:
                        for index in other.points:
                            self._look(index, False, values)
            self._rewrite(device, time)
        if values or quality:
            self._arrivals.append((time + tap.delay_ms, values, quality))
            self._arrivals.sort(key=lambda arrival: arrival[0])

    def _of_interest(self, tap: Tap) -> list[int]:
        """Points of a read that may tell something new, or are asked for."""
        if self.every_tick:  # what the plant did not announce is found too
            asks, read, raw = self.line.asks, self.plant.read, self._raw
            return [i for i in tap.points if i in asks or read(i) != raw.get(i)]
        if self._good[tap.device]:
            return sorted(tap.dirty)
        return [i for i in tap.points if i in self.line.asks or i in tap.dirty]

    def _look(self, index: int, asked: bool, values: list[tuple[int, Value]]) -> None:
        value = self._raw[index] = self.plant.read(index)
        through = self._through.get(index)
        if through is not None:
            value = through(value)
            if not asked and index in self.line.counters:
                return
        if asked or self._seen.get(index) != value:
            self._seen[index] = value
            values.append((index, value))

    def _rewrite(self, device: str, time: int) -> None:
        """A device is back: everything it should hold is written anew."""
        bus = self.site.file.devices[device].bus
        for point in self.site.points:
            if point.device == device and point.direction == "out":
                self._pending[bus][point.index] = self.line.outputs[point.index]
        tap = self._grid.writes[bus]
        tap.due = tap.instant(time + 1)

    def _write(self, bus: str, tap: Tap, time: int) -> None:
        tap.due = None
        pending = self._pending[bus]
        for index in list(pending):
            if self.plant.answers(self._device_of[index]):
                value = pending.pop(index)
                through = self._through.get(index)
                self.plant.write(index, value if through is None else through(value))
        if pending:  # a device that does not answer now gets them as soon as it does
            tap.due = tap.instant(time + 1)
        self._mark(self.plant.take_changed(), time)

    # the scan ----------------------------------------------------------------------------------

    def _frame(self) -> Frame:
        now = self.now
        frame = Frame()
        while self._arrivals and self._arrivals[0][0] <= now:
            _, values, quality = self._arrivals.pop(0)
            frame.values += values
            frame.quality += quality
        for device in [d for d, due in self._silent_due.items() if due <= now]:
            del self._silent_due[device]
            self._good[device] = False
            for tap in self._grid.reads:
                if tap.device == device:
                    frame.quality += [(index, False) for index in tap.points]
        while self._acks and self._acks[0][0] <= now:
            frame.durable = self._acks.pop(0)[1]
        if self._commands:
            frame.commands, self._commands = self._commands, []
        return frame

    def _scan(self) -> bool:
        now = self.now
        line = self.line
        frame = self._frame()
        changed = line.scan(frame, now)
        self.scans += 1
        for index in line.written:
            bus = self._bus_of[index]
            self._pending[bus].pop(index, None)
            self._pending[bus][index] = line.outputs[index]
            tap = self._grid.writes[bus]
            if tap.due is None:
                tap.due = tap.instant(now + 1)
        moves, events = line.take_moves(), line.take_events()
        if moves or events:
            self._record(moves, events)
        if self._trips is not None:
            self._trips.take(now, frame, line.written, line.outputs, events)
        for index in line.asks:
            tap = self._tap_of[index]
            tap.dirty.add(index)
            if tap.due is None:
                tap.due = tap.instant(now + 1)
        while self._agenda and self._agenda[0][0] <= now:
            self.act(self._agenda.pop(0)[1])
        return changed

    def _record(self, moves: list[Move], events: list[Event]) -> None:
        for move in moves:
            self.plant.told(move)
        self.recorder.record(moves, events)
        if moves and not self.ledger_stuck:
            delay = self.site.file.limits.ledger_bench_delay_ms
            self._acks.append((self.now + delay, self.line.words))


def _wire(
    decode: Callable[[Sequence[int]], Value], encode: Callable[[Value], tuple[int, ...]]
) -> Callable[[Value], Value]:
    """The value as it comes out at the far end of the registers."""
    return lambda value: decode(encode(value))
