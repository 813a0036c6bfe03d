"""Finds out what hangs on a bus: units, tables, limits, ranges, latency, identification, echo.

Reads only, unless a person has allowed writes for the very device (see `write_trial`). What is
found is what the devices answered today; their manuals overrule it.
"""

from __future__ import annotations

import math
import statistics
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import NamedTuple

from linectl.commission.peek import unreadable
from linectl.commission.survey import (
    TableSurvey,
    Where,
    joined,
    offset_hint,
    survey_table,
)
from linectl.commission.talk import DAMAGED, Talk, late_ms
from linectl.commission.units import PROBED, Present, Tell, present_units
from linectl.commission.write_trial import WriteTrial, try_writes
from linectl.field.advice import place
from linectl.site.hardware import Bus, Device, Point
from linectl.site.model import Site
from linectl.site.notation import LAST_ADDRESS, Table

MARGIN = 16
"""Addresses asked below and above those that the map names."""
WINDOW = range(128)
"""Asked of a device that no map names."""
REQUESTS_MOST = 1200
"""Allowance of one unit's survey: about 12 s at 10 ms. A table in which nothing of a window can be
read takes two requests for each address."""
LATENCIES = 10
ONE_FOR_ALL = 8
"""A network device that answers to so many numbers, and to all that were asked, is one device."""

OBJECTS = {
    0: "vendor", 1: "product_code", 2: "revision", 3: "vendor_url", 4: "product_name",
    5: "model_name", 6: "application_name",
}  # fmt: skip
"""MODBUS Application Protocol V1.1b3 (2012), 6.21: basic and regular objects."""


class Subject(NamedTuple):
    """A device that the site knows, by its unit number."""

    name: str
    device: Device
    points: tuple[Point, ...]


class Latency(NamedTuple):
    """From a question's end to its answer's beginning, in ms, our own time included."""

    min_ms: float
    median_ms: float
    max_ms: float

    @property
    def turnaround_ms(self) -> int:
        """What to write into site.yaml: the slowest, in whole ms."""
        return math.ceil(self.max_ms)


@dataclass(frozen=True)
class UnitFound:
    """One unit and what it gave."""

    present: Present
    name: str
    """As the site names it, or `unit 7`."""
    subject: Subject | None
    latency: Latency | None
    identification: Mapping[str, str] | None
    """None if it cannot tell, or this line cannot ask."""
    tables: tuple[TableSurvey, ...]
    offsets: Mapping[Table, int]
    """Tables in which the map's addresses seem to be off, and by how much."""
    write: WriteTrial | None
    requests: int

    @property
    def unit(self) -> int:
        return self.present.unit


@dataclass(frozen=True)
class LineFound:
    """Everything that was found on one bus."""

    units: tuple[UnitFound, ...]
    asked: tuple[int, ...]
    requests: int
    echo: bool | None
    """None: no serial line, or nothing answered."""
    failures: Mapping[str, int]
    notes: tuple[str, ...]


@dataclass(frozen=True)
class Options:
    """How far to look. `allow_write`: asked for each unit; None: no writes at all."""

    units: tuple[int, ...]
    window: range | None = None
    requests_most: int = REQUESTS_MOST
    allow_write: Callable[[str, int, Sequence[Point], Table, int], bool] | None = None


def subjects_of(site: Site, bus: str) -> dict[int, Subject]:
    """The devices that the site has on that bus, by unit number."""
    return {
        device.unit: Subject(name, device, tuple(p for p in site.points if p.device == name))
        for name, device in site.file.devices.items()
        if device.bus == bus
    }


def find(
    talk: Talk,
    bus: Bus,
    subjects: Mapping[int, Subject],
    options: Options,
    tell: Tell = lambda what, done, total: None,
) -> LineFound:
    """Looks for units, then at each of them. Raises LinkDown when the bus itself is gone."""
    first_of = {
        unit: (subject.points[0].table, subject.points[0].address)
        for unit, subject in subjects.items()
        if subject.points
    }
    talk.late_ms = bus.timeout_ms  # each question goes to another unit than the one before
    present = present_units(talk, options.units, first_of, tell)
    notes = []
    if len(present) == len(options.units) >= ONE_FOR_ALL and place(bus) in ("network", "secure"):
        known = tuple(one for one in present if one.unit in subjects)
        notes.append(
            f"all {len(present)} unit numbers answer: it is one device that does not look at them, "
            "and is surveyed once"
        )
        present = known or present[:1]
    units = tuple(
        _Unit(talk, bus, one, subjects.get(one.unit), options, tell).survey() for one in present
    )
    notes += _line_notes(talk, units)
    notes += [
        f"{one.name} answers later than the time-out of {bus.timeout_ms} ms: look again with a "
        "longer one (--timeout, or the bus's own), else nothing of it can be measured"
        for one in units
        if one.present.heard.kind == "late"
    ]
    echo = talk.line.echoes if place(bus) in ("serial", "converter") else None
    return LineFound(units, options.units, talk.requests, echo, dict(talk.kinds), tuple(notes))


def _line_notes(talk: Talk, units: Sequence[UnitFound]) -> list[str]:
    damaged = sum(talk.kinds[kind] for kind in DAMAGED)
    if not damaged:
        return []
    if units:
        return [f"{damaged} answers came damaged or foreign: look at the line before trusting it"]
    return [
        f"{damaged} answers came, all damaged: something is there. Another speed or parity "
        "(--try 9600,19200,38400), or A and B the other way round"
    ]


class _Unit:
    """The survey of one unit, within its allowance of requests."""

    def __init__(
        self,
        talk: Talk,
        bus: Bus,
        present: Present,
        subject: Subject | None,
        options: Options,
        tell: Tell,
    ) -> None:
        self._talk = talk
        self._bus = bus
        self._present = present
        self._subject = subject
        self._options = options
        self._tell = tell
        name = subject.name if subject else f"unit {present.unit}"
        self._where = Where(name, present.unit, subject.device.pause_ms if subject else 0)

    def survey(self) -> UnitFound:
        before = self._talk.requests
        # From here on one unit is asked again and again: only time tells its late answers apart.
        declared = self._subject.device.late_ms if self._subject else None
        self._talk.late_ms = late_ms(self._bus, declared)
        objects = self._talk.identify(self._where.name, self._present.unit)
        tables = self._tables()
        offsets = {
            one.table: by for one in tables if (by := offset_hint(self._named(one.table), one))
        }
        latency = self._latency(tables)
        return UnitFound(
            self._present,
            self._where.name,
            self._subject,
            latency,
            None if objects is None else texts_of(objects),
            tables,
            offsets,
            self._write(tables),
            self._talk.requests - before,
        )

    def _named(self, table: Table) -> set[int]:
        points = self._subject.points if self._subject else ()
        return {
            at for p in points if p.table == table for at in range(p.address, p.address + p.words)
        }

    def _windows(self, table: Table) -> tuple[range, ...]:
        """Where to look in a table: what was asked, else round the map, else the first stretch."""
        named = self._named(table)
        if self._options.window is not None:
            window = self._options.window
        elif named:
            window = range(max(0, min(named) - MARGIN), min(LAST_ADDRESS, max(named) + MARGIN) + 1)
        else:
            window = range(1) if self._subject else WINDOW
        if self._subject is None:
            return (window,)
        device = self._subject.device
        return joined(at for at in window if not unreadable(device, table, at))

    def _tables(self) -> tuple[TableSurvey, ...]:
        """Every table, each with its share of what is left of the allowance."""
        left = self._options.requests_most
        whole = left
        found = []
        for place_, table in enumerate(PROBED):
            windows = self._windows(table)
            if not windows or left <= 0:
                continue

            def tell(requests: int, used: int = whole - left, what: str = table) -> None:
                self._tell(f"{self._where.name}: {what}", used + requests, whole)

            share = max(1, left // (len(PROBED) - place_))
            one = survey_table(self._talk, self._where, table, windows, share, tell)
            left -= one.requests
            found.append(one)
        return tuple(found)

    def _latency(self, tables: Sequence[TableSurvey]) -> Latency | None:
        """Ten short reads of something that answers."""
        table, address = self._present.table, self._present.address
        for one in tables:
            if one.ranges and not self._present.heard.good:
                table, address = one.table, one.ranges[0].start
                break
        where = self._where
        times = []
        for _ in range(LATENCIES):
            heard = self._talk.read(where.name, where.unit, table, address, 1, where.pause_ms)
            if heard.there and heard.ms:
                times.append(heard.ms)
        if not times:
            return None
        return Latency(min(times), statistics.median(times), max(times))

    def _write(self, tables: Sequence[TableSurvey]) -> WriteTrial | None:
        """Writes one cell back, if a person allows it for this device."""
        allow = self._options.allow_write
        target = self._target(tables)
        if allow is None or target is None:
            return None
        points = self._subject.points if self._subject else ()
        if not allow(self._where.name, self._present.unit, points, *target):
            return None
        return try_writes(self._talk, self._where, *target)

    def _target(self, tables: Sequence[TableSurvey]) -> tuple[Table, int] | None:
        """An output of the map that can be read; without a map the first holding register."""
        readable = {one.table: one.ranges for one in tables}
        if self._subject is not None:
            outputs = [p for p in self._subject.points if p.direction == "out" and p.words == 1]
            outputs.sort(key=lambda p: (p.table != "holding", p.holds_load, p.address))
            for point in outputs:
                if any(point.address in one for one in readable.get(point.table, ())):
                    return point.table, point.address
            return None
        for table in ("holding", "coil"):
            if ranges := readable.get(table):
                return table, ranges[0].start
        return None


def texts_of(objects: Mapping[int, bytes]) -> dict[str, str]:
    """Identification objects as text, by name; those beyond the regular ones by number."""
    return {
        OBJECTS.get(number, f"object_{number}"): data.decode("ascii", "replace").strip("\0 ")
        for number, data in sorted(objects.items())
    }
