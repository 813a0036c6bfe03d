"""First-out: which cause of a stop came first, what followed from it, and what is apart from it.

A trip begins when a unit that moves is aborted, held or suspended by causes, or a cause cuts an
output that is on. It ends when every cause of it has gone and a person has reset or started its
units again. What is judged from the marks is in `trip_marks.py`; this file gathers them.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import asdict
from typing import TYPE_CHECKING, Any

from linectl.image import Event
from linectl.line.causes import STRENGTH
from linectl.line.inputs import NEVER
from linectl.line.own_stop import drivers_of, signs_of
from linectl.line.tr88 import MOVING
from linectl.line.trip_marks import Mark, Trip, first_of, record, sentence
from linectl.line.units import WARNED, Unit
from linectl.registers.budget import Budget
from linectl.site.model import Site

if TYPE_CHECKING:
    from linectl.line.line import Line
    from linectl.line.part import Part

MARKS_MAX = 40
"""Marks kept of one trip; whoever comes later is only counted. A stop of the whole line has some
twenty, and nobody reads more."""
TRIPS_MAX = 8
"""Trips open at once; a line has two units and some lanes. The oldest is let go for a newer one."""
STANDING = frozenset(
    ("Aborting", "Aborted", "Clearing", "Stopping", "Stopped", "Holding", "Held", "Suspending",
     "Suspended")
)  # fmt: skip
"""States of a stopped unit that nobody has reset or started again."""


def spans_of(site: Site) -> tuple[int, ...]:
    """By point index: how long before the scan that sees it a change may have happened, ms.

    The worst age of the input's last good value before its successor, and one scan; 0 for outputs.
    """
    budget, scan_ms = Budget(site), site.file.scan_ms
    return tuple(
        math.ceil(budget.worst_age_ms(point)) + scan_ms if point.direction == "in" else 0
        for point in site.points
    )


class FirstOut:
    """The trips that are open now, and how many there have been. Part of the line's state."""

    def __init__(self, line: Line) -> None:
        self._line = line
        site = line.site
        self.spans = spans_of(site)
        self.count = 0
        self.open: list[Trip] = []
        self._points = site.points
        self._tags = {point.index: point.tag for point in site.points if point.direction == "out"}
        self._drivers = drivers_of(line.site_io)
        self._signs = signs_of(site, line.site_io)
        self._parts = {part.name: part for part in line.parts}
        self._numbers = {row.name: number for number, row in enumerate(line.causes.rows)}
        self._silent_after = {n: d.silent_after_ms for n, d in site.file.devices.items()}
        self._fresh: tuple[str, str] | None = None
        """The last alarm of a station in this scan."""
        self._told: set[int] = set()
        """Numbers of trips that this scan has altered."""

    # what the scan tells -----------------------------------------------------------------------

    def take(self, came: Iterable[tuple[int, bool]], changed: Iterable[int], now: int) -> None:
        """After the causes are judged, before anything is told or moves: who came."""
        for number, is_here in came:
            if is_here:
                self._cause(number, now)
        if self.open:
            points = set(changed)
            for sign in self._signs:
                if sign.test.index in points and self._line.inputs.good[sign.test.index]:
                    self._sign(sign.tag, now)

    def cut(self, bits: int, now: int) -> None:
        """The gate takes away outputs that are on: causes that did not come just now, and the
        permissives of the machine's shape, say why. What nobody can read says nothing."""
        causes = self._line.causes
        for number, row in enumerate(causes.rows):
            hit = (causes.stops(number) | causes.bars(number)) & bits
            known = any(trip.has(row.name) for trip in self.open)
            if hit and not known and causes.held[number] != NEVER:
                self._stop(number, {}, hit, now)

    def acted(self, unit: Unit, action: str, now: int) -> None:
        """A unit takes that action. If it moved and a cause asks for it that came before, such as
        one whose bypass has ended, this is where its trip begins."""
        against = self._line.causes.actions.get(unit.name)
        moved = unit.state in MOVING and (unit.state not in WARNED or unit.warned)
        known = any(unit.name in trip.units for trip in self.open)
        if moved and not known and against is not None and against[0] == action:
            trip = self._begin(now)
            self._extend(trip, {unit.name: action}, 0)
            self._mark(trip, self._cause_mark(against[1]))

    def alarm(self, tag: str, text: str) -> bool:
        """An alarm comes. True if nothing known came before it (it may share that in a tie)."""
        if tag in self._numbers:
            known = [trip for trip in self.open if trip.has(tag)]
        else:
            known = self._station_alarm(tag, text)
        if known:
            return any(mark.tag == tag for trip in known for mark in first_of(trip.marks))
        return not self.open

    def held(self, unit: str, now: int) -> None:
        """A station's own fault holds a unit: the alarm just raised is why."""
        moving = next(u for u in self._line.units if u.name == unit)
        if not (moving.moving and moving.can("hold")) or any(unit in t.units for t in self.open):
            return
        masks = self._masks([unit])
        trip = next((t for t in self.open if t.began == now and t.cut & masks), None)
        if trip is None and self._fresh is not None:
            tag, text = self._fresh
            trip = self._begin(now)
            self._mark(trip, self._alarm_mark(tag, text, now))
        if trip is not None:
            trip.units[unit] = "hold"
            self._told.add(trip.number)

    def blocked(self, unit: str, action: str, now: int) -> None:
        """A unit that worked until nothing could begin: causes keep its stations from more."""
        stations = self._line.causes.stations
        parts = next(u for u in self._line.units if u.name == unit).parts
        numbers = [stations[part.name] for part in parts if part.name in stations]
        if numbers and not any(unit in trip.units for trip in self.open):
            trip = self._begin(now)
            trip.units[unit] = action
            for number in numbers:
                self._mark(trip, self._cause_mark(number))

    def settle(self, now: int) -> None:
        """At the scan's end: what has ended, and every trip that altered, told once."""
        self._fresh = None
        if not self.open:
            return
        actions = self._line.causes.actions
        for trip in list(self.open):
            for unit, action in trip.units.items():
                new = actions.get(unit, (action, 0))[0]
                if STRENGTH[new] > STRENGTH[action]:
                    trip.units[unit] = new
                    self._told.add(trip.number)
            ended = self._ended(trip)
            if ended:
                self.open.remove(trip)
            if ended or trip.number in self._told:
                self._tell(trip, ended, now)
        self._told.clear()

    # asked -------------------------------------------------------------------------------------

    def records(self, unit: str = "") -> list[dict[str, Any]]:
        """Records of the open trips, the newest last; `unit`: only those that stopped it."""
        return [
            record(trip, self._tags, False) for trip in self.open if not unit or unit in trip.units
        ]

    def saved(self) -> dict[str, Any]:
        """The state as plain data."""
        return {"count": self.count, "open": [asdict(trip) for trip in self.open]}

    def restore(self, saved: dict[str, Any]) -> None:
        """Take over what `saved` gave."""
        self.count = saved["count"]
        self.open = [
            Trip(**{**row, "marks": [Mark(**mark) for mark in row["marks"]]})
            for row in saved["open"]
        ]

    # gathering ---------------------------------------------------------------------------------

    def _cause(self, number: int, now: int) -> None:
        line = self._line
        if number in line.causes.bypassed:
            return
        actions = line.causes.actions
        acted = {unit for unit, _ in line.causes.asks(number)}
        stopped = {
            unit.name: actions[unit.name][0]
            for unit in line.units
            if unit.moving and unit.name in acted and unit.name in actions
        }
        self._stop(number, stopped, line.outputs_on & line.causes.stops(number), now)

    def _stop(self, number: int, stopped: dict[str, str], bits: int, now: int) -> None:
        """Cause `number` stops these units and outputs; trips that it concerns note it."""
        row = self._line.causes.rows[number]
        known = {unit for trip in self.open for unit in trip.units}
        own = bits & ~self._masks(known) & ~sum_bits(trip.cut for trip in self.open)
        new = {unit: action for unit, action in stopped.items() if unit not in known}
        if new or own:
            trip = next((t for t in self.open if t.began == now and self._concerns(row, t)), None)
            self._extend(trip or self._begin(now), new, own)
        for trip in self.open:
            if self._concerns(row, trip) or (trip.began == now and trip.cut & bits):
                self._mark(trip, self._cause_mark(number))
            if not trip.marks:
                self._mark(trip, self._cause_mark(number))

    def _concerns(self, row: Any, trip: Trip) -> bool:
        return bool(set(row.units) & set(trip.units) or row.blocks & trip.cut)

    def _begin(self, now: int) -> Trip:
        self.count += 1
        trip = Trip(self.count, now)
        inputs = self._line.inputs
        trip.held_before = [sign.tag for sign in self._signs if sign.test.holds(inputs, False)]
        self.open.append(trip)
        del self.open[:-TRIPS_MAX]
        self._told.add(trip.number)
        return trip

    def _extend(self, trip: Trip, units: dict[str, str], bits: int) -> None:
        line = self._line
        trip.units |= units
        aborted = [unit for unit, action in units.items() if action == "abort"]
        bits |= line.outputs_on & (self._masks(aborted) | ~line.ready)
        trip.cut |= bits
        named = [part.name for part in self._parts.values() if part.mask & bits]
        trip.parts += [name for name in named if name not in trip.parts]

    def _masks(self, units: Iterable[str]) -> int:
        """Outputs of the parts of these units."""
        names = set(units)
        return sum_bits(p.mask for p in self._parts.values() if p.unit and p.unit.name in names)

    def _mark(self, trip: Trip, mark: Mark) -> None:
        if trip.has(mark.tag):
            return
        if len(trip.marks) >= MARKS_MAX:
            trip.beyond += 1
            return
        if mark.kind == "cause":
            mark.own = self._is_own(trip, self._numbers[mark.tag], mark)
        trip.marks.append(mark)
        self._told.add(trip.number)

    def _is_own(self, trip: Trip, number: int, mark: Mark) -> bool:
        """It reads what the trip's own cut outputs drive, and surely came after the cut.

        What nobody could read at the cut, and is found so afterwards, is taken to follow as well.
        """
        row, inputs = self._line.causes.rows[number], self._line.inputs
        reads = [t.index for t in row.tests if inputs.good[t.index] and t.holds(inputs, True)]
        driven = bool(reads) and all(self._drivers.get(i, 0) & trip.cut for i in reads)
        causes = self._line.causes
        found = causes.since[number] < causes.held[number] != NEVER and mark.latest > trip.began
        return driven and (mark.earliest >= trip.began or found)

    def _cause_mark(self, number: int) -> Mark:
        """A cause with the interval in which it came, its delays taken off."""
        line = self._line
        row, causes, inputs = line.causes.rows[number], line.causes, line.inputs
        since, held = causes.since[number], causes.held[number]
        tests = row.tests
        if row.silence:
            device = self._points[tests[0].index].device
            span = self._silent_after[device] + line.site.file.scan_ms
            return Mark(row.name, row.text, device, "cause", since - span, since)
        held = since if held == NEVER else held
        holding = [t.index for t in tests if inputs.good[t.index] and t.holds(inputs, True)]
        indices = holding or [test.index for test in tests]
        seen = [self._seen(index, held) for index in indices]
        earliest = min(at - self.spans[i] for at, i in zip(seen, indices, strict=True))
        earliest = min(earliest, since - max(self.spans[i] for i in indices)) - row.together_ms
        tags = [self._points[index].tag for index in indices]
        where = ", ".join(tags) if len(tags) <= 2 else row.name
        return Mark(
            row.name, row.text, where, "cause", earliest, max(seen), explains=list(row.explains)
        )

    def _seen(self, index: int, settled: int) -> int:
        """When the change was seen that settled then: a point's own delay taken off."""
        point, raw = self._points[index], self._line.inputs.first_seen.get(index)
        if raw is None:
            return settled
        delay = point.on_delay_ms if self._line.inputs.raw[index] else point.off_delay_ms
        waited = delay and 0 <= settled - raw - delay < self._line.site.file.scan_ms
        return raw if waited else settled

    def _station_alarm(self, tag: str, text: str) -> list[Trip]:
        now = self._line.now
        self._fresh = (tag, text)
        part = self._part_of(tag)
        if part is None:
            return []
        unit = part.unit.name if part.unit else ""
        known = [trip for trip in self.open if unit in trip.units or part.mask & trip.cut]
        for trip in known:
            mark = self._alarm_mark(tag, text, now)
            if part.mask & trip.cut:
                mark.own, mark.earliest = True, max(mark.earliest, trip.began)
            self._mark(trip, mark)
        return known

    def _alarm_mark(self, tag: str, text: str, now: int) -> Mark:
        part = tag.rpartition(".")[0]
        spans = (self.spans[p.index] for p in self._points if p.tag.rpartition(".")[0] == part)
        return Mark(tag, text, tag, "alarm", now - max(spans, default=0), now)

    def _part_of(self, tag: str) -> Part | None:
        return self._parts.get(tag.partition(".")[0])

    def _sign(self, tag: str, now: int) -> None:
        sign = next(sign for sign in self._signs if sign.tag == tag)
        if not sign.test.holds(self._line.inputs, False):
            return
        for trip in self.open:
            if sign.drivers & trip.cut and tag not in trip.held_before:
                span = self.spans[sign.test.index]
                self._mark(trip, Mark(tag, sign.text, tag, "sign", now - span, now, own=True))

    # telling -----------------------------------------------------------------------------------

    def _ended(self, trip: Trip) -> bool:
        """Every cause that is not a follower has gone, and its units are on their way again."""
        told = record(trip, {}, False)
        left = [mark["tag"] for mark in told["marks"] if mark["is"] != "after"]
        standing, active = self._line.alarms.standing, self._line.causes.active
        numbers = self._numbers
        bypassed = self._line.causes.bypassed
        gone = not any(
            active[numbers[tag]] and numbers[tag] not in bypassed
            if tag in numbers
            else tag in standing
            for tag in left
        )
        return gone and all(
            unit.state not in STANDING for unit in self._line.units if unit.name in trip.units
        )

    def _tell(self, trip: Trip, ended: bool, now: int) -> None:
        told = record(trip, self._tags, ended)
        source = next(iter((*trip.units, *trip.parts)), "line")
        self._line.emit(Event(now, "trip", source, sentence(told), told))
        self._line.alarms.mark_first({m["tag"]: m["is"] == "first" for m in told["marks"]})


def sum_bits(masks: Iterable[int]) -> int:
    """All bits of these masks together."""
    bits = 0
    for mask in masks:
        bits |= mask
    return bits
