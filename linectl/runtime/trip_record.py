"""Keeps what led to a trip: five seconds of inputs before it, two after, and outputs written.

Fed with every scan's frame, on the bench and live alike. A scan costs an append; what is older than
the time before is folded into the state that the window begins with. A trip is handed over at once
with what led to it, so that a power cut leaves that, and again when its window is whole.
"""

from __future__ import annotations

import datetime as dt
from collections import deque
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

from linectl.image import Event, Frame, Value
from linectl.ledger.trips import Entry, TripRow, Window
from linectl.line.trip_marks import sentence
from linectl.site.model import Site

BEFORE_MS = 5_000
AFTER_MS = 2_000
"""The time kept before a trip begins, and after. One entry for each scan that had anything new:
at a scan of 10 ms no more than 700."""

Keep = Callable[[TripRow], None]


@dataclass
class _Open:
    """A trip whose two seconds are not over."""

    due: int
    told: Mapping[str, Any]
    before: Window
    entries: list[Entry] = field(default_factory=list)

    def row(self, to_ms: int, complete: bool) -> TripRow:
        window = self.before._replace(to_ms=to_ms, entries=self.entries)
        return TripRow(self.told["number"], self.told["began_ms"], self.told, window, complete)


class TripRecorder:
    """One line's ring of changes. For the scan's thread alone; `keep` returns at once."""

    def __init__(
        self, site: Site, outputs: Sequence[Value], keep: Keep, started_ms: int = 0
    ) -> None:
        """outputs: as they stand at the start. started_ms: of the boot, Unix ms."""
        self._keep = keep
        self._started_ms = started_ms
        self._values: dict[int, Value] = {}
        self._good: dict[int, bool] = {}
        self._outputs = {p.index: outputs[p.index] for p in site.points if p.direction == "out"}
        self._ring: deque[Entry] = deque()
        self._open: dict[int, _Open] = {}

    def take(
        self, now: int, frame: Frame, written: Iterable[int], outputs: Sequence[Value],
        events: Iterable[Event],
    ) -> None:  # fmt: skip
        """One scan: what it was told, what it wrote, what it said."""
        if self._open:
            self._finish(now)
        put = [(index, outputs[index]) for index in written]
        if frame.values or frame.quality or put:
            entry = Entry(now, frame.values, frame.quality, put)
            self._ring.append(entry)
            for trip in self._open.values():
                trip.entries.append(entry)
        while self._ring and self._ring[0].at < now - BEFORE_MS:
            self._fold(self._ring.popleft())
        for event in events:
            if event.kind == "trip":
                self._tell(event.data, now)

    def close(self, now: int) -> None:
        """The line ends: what is open is kept as far as it came."""
        for trip in self._open.values():
            self._keep(trip.row(min(trip.due, now), trip.due <= now))
        self._open.clear()

    def stamped(self, records: Iterable[Mapping[str, Any]]) -> list[dict[str, Any]]:
        """Records of open trips with the time of day in their one line."""
        return [
            {**told, "wall_ms": wall_ms, "text": sentence(told, time_of_day(wall_ms))}
            for told in records
            for wall_ms in (self._started_ms + told["began_ms"],)
        ]

    def _fold(self, entry: Entry) -> None:
        self._values.update(entry.values)
        self._good.update(entry.quality)
        self._outputs.update(entry.outputs)

    def _tell(self, told: Mapping[str, Any], now: int) -> None:
        known = self._open.get(told["number"])
        if known is not None:
            known.told = told
            self._keep(TripRow(told["number"], told["began_ms"], told, None, False))
        elif told["began_ms"] < now:
            self._keep(TripRow(told["number"], told["began_ms"], told, None, False))
        else:
            self._freeze(told, now)

    def _freeze(self, told: Mapping[str, Any], now: int) -> None:
        before = Window(
            max(0, now - BEFORE_MS), now,
            dict(self._values), dict(self._good), dict(self._outputs), (),
        )  # fmt: skip
        trip = _Open(now + AFTER_MS, told, before, list(self._ring))
        self._open[told["number"]] = trip
        window = before._replace(entries=tuple(self._ring))
        self._keep(TripRow(told["number"], told["began_ms"], told, window, False))

    def _finish(self, now: int) -> None:
        """Windows that were whole before this scan: no scan had anything new since."""
        for number, trip in list(self._open.items()):
            if trip.due < now:
                del self._open[number]
                self._keep(trip.row(trip.due, True))


def time_of_day(wall_ms: int) -> str:
    """A Unix time as a person at the line reads it: 14:02:07.350, local time."""
    return dt.datetime.fromtimestamp(wall_ms / 1000).strftime("%H:%M:%S.%f")[:-3]
