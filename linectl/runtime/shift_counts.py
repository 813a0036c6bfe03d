"""Gutters of a shift by crop and by lane, what each unit produced, and the intervals between them.

All from moves that were seen done in the shift. A gutter's crop is what the ledger knows of it now:
it gets one at seeding, so what was fed and not seeded yet has none.
"""

from __future__ import annotations

from bisect import bisect_right
from collections import Counter
from collections.abc import Iterable, Sequence
from itertools import pairwise
from typing import Any, NamedTuple

from linectl.crop.spread import histogram, percentile
from linectl.ledger.shift_reading import MoveRow, ShiftRecord
from linectl.runtime.account import Row
from linectl.site.machine import SOWING_KINDS
from linectl.site.model import Site

COUNTS = (
    "fed", "seeded", "indexed", "ejected", "handed_over", "rejected", "removed", "partial",
)  # fmt: skip
CLASS_MS = 2_000
"""Width of a class in the histogram of intervals."""

_OF_KIND = {
    "feed": "fed", "insert": "indexed", "eject": "ejected", "handover": "handed_over",
    "reject": "rejected",
}  # fmt: skip


class Produced(NamedTuple):
    """What came out of a unit, and how many of these need nothing more; gutters."""

    produced: int
    good: int


class Counted:
    """The shift's moves, counted once."""

    def __init__(self, site: Site, record: ShiftRecord) -> None:
        self._record = record
        self.done = [
            move
            for move in record.moves
            if move.done_ms is not None and record.from_ms <= move.done_ms < record.to_ms
        ]
        sower = {site.station(kind) for kind in SOWING_KINDS}
        self._unit_of = {
            name: "sowing" if name in sower else "harvest" for name in site.file.stations
        }
        self._lane_of = {
            f"{lane.prefix}.{name}": lane.id
            for lane in site.file.lanes
            for name in (*(run.name for run in lane.runs), *(t.name for t in lane.transfers))
        }
        self.partial = _partial(record)

    def by_crop(self) -> list[Row]:
        """A row per crop with every count; crop "" for gutters that got none."""
        counts: dict[str, Counter[str]] = {}
        for move in self.done:
            if name := _counted(move):
                counts.setdefault(move.crop, Counter())[name] += 1
        for _, crop, _ in self._record.sown:
            counts.setdefault(crop, Counter())["seeded"] += 1
        for at_ms, _, crop in self.partial:
            if self._record.from_ms <= at_ms:
                counts.setdefault(crop, Counter())["partial"] += 1
        return [
            {"crop": crop, **{name: count[name] for name in COUNTS}}
            for crop, count in sorted(counts.items(), key=lambda row: (row[0] == "", row[0]))
        ]

    def by_lane(self, site: Site) -> list[Row]:
        """A row per lane: its slots, and what went in and out in the shift."""
        counts: Counter[tuple[int, str]] = Counter()
        for move in self.done:
            name = _counted(move)
            lane = self._lane(move.dest) if name == "indexed" else self._lane(move.source)
            if name and lane is not None:
                counts[lane, name] += 1
        return [
            {
                "lane": lane.id,
                "slots": lane.slots,
                **{
                    name: counts[lane.id, name]
                    for name in ("indexed", "ejected", "rejected", "removed")
                },
            }
            for lane in site.file.lanes
        ]

    def _lane(self, place: str) -> int | None:
        return self._lane_of.get(place) or self._lane_of.get(place.rpartition(".")[0])

    def produced(self, unit: str) -> Produced:
        """What left the unit at its end, or was taken off it as bad: a bad one is produced too.

        Good of sowing: indexed, and its process was never partial. Good of harvest: handed over.
        """
        out = "insert" if unit == "sowing" else "handover"
        ended = [move for move in self.done if move.kind == out]
        bad = [
            move
            for move in self.done
            if _counted(move) in ("rejected", "removed") and self._unit_of.get(move.source) == unit
        ]
        partial = {gutter for _, gutter, _ in self.partial} if unit == "sowing" else set()
        good = sum(move.gutter not in partial for move in ended)
        return Produced(len(ended) + len(bad), good)

    def times(self, kind: str) -> list[int]:
        """When each move of that kind was done, Unix ms, in order."""
        return sorted(m.done_ms for m in self.done if m.kind == kind and m.done_ms is not None)


def _counted(move: MoveRow) -> str | None:
    if move.kind == "correct":
        return "removed" if move.dest == "removed" else None
    return _OF_KIND.get(move.kind)


def _partial(record: ShiftRecord) -> list[tuple[int, int, str]]:
    """(when, gutter, crop) of each gutter that was left partly processed: the one that had come
    to the station last when its alarm came."""
    alarms = [
        (event.at, event.source.removesuffix(".partial"))
        for _, event in record.events
        if event.kind == "alarm_on" and event.source.endswith(".partial")
    ]
    arrived: dict[str, list[tuple[int, int, str]]] = {station: [] for _, station in alarms}
    for move in record.moves:
        if move.dest not in arrived:
            continue
        if move.done_ms is not None:
            arrived[move.dest].append((move.done_ms, move.gutter, move.crop))
        elif move.kind == "convey":  # told done only when its tail is in
            arrived[move.dest].append((move.intended_ms, move.gutter, move.crop))
    for each in arrived.values():
        each.sort()
    found = []
    for at_ms, station in alarms:
        there = arrived[station]
        place = bisect_right(there, at_ms, key=lambda row: row[0]) - 1
        if place >= 0:
            found.append((at_ms, there[place][1], there[place][2]))
    return found


def takt_spread(
    times_ms: Sequence[int], from_ms: int, stood: Iterable[Row], short: Iterable[Row]
) -> dict[str, Any]:
    """How the intervals between a unit's gutters spread, outside its waits.

    stood, short: its stands and its short waits, seconds from `from_ms`. An interval that overlaps
    a stand is left out; one with short waits is counted apart, unless they come to less than a
    class of the histogram is wide.
    """
    clear: list[int] = []
    waited: list[int] = []
    left_out = 0
    stands, waits = _spans(stood, from_ms), _spans(short, from_ms)
    for before, after in pairwise(times_ms):
        if _within(stands, before, after):
            left_out += 1
        else:
            felt = _within(waits, before, after) >= CLASS_MS
            (waited if felt else clear).append(after - before)
    classes = {c.start: [c.found, 0] for c in histogram(clear, CLASS_MS)}
    for c in histogram(waited, CLASS_MS):
        classes.setdefault(c.start, [0, 0])[1] = c.found
    return {
        **_middle(clear),
        "with_short_wait": _middle(waited),
        "left_out": left_out,
        "classes": [
            {"from_s": start / 1000, "to_s": (start + CLASS_MS) / 1000,
             "count": counts[0], "with_short_wait": counts[1]}
            for start, counts in sorted(classes.items())
        ],
    }  # fmt: skip


def _middle(intervals_ms: Sequence[int]) -> dict[str, Any]:
    median, p95 = percentile(intervals_ms, 0.5), percentile(intervals_ms, 0.95)
    return {
        "intervals": len(intervals_ms),
        "median_s": None if median is None else round(median / 1000, 3),
        "p95_s": None if p95 is None else round(p95 / 1000, 3),
    }


def _spans(rows: Iterable[Row], from_ms: int) -> list[tuple[int, int]]:
    return sorted(
        (from_ms + round(row["from_s"] * 1000), from_ms + round(row["to_s"] * 1000))
        for row in rows
    )  # fmt: skip


def _within(spans: Sequence[tuple[int, int]], before: int, after: int) -> int:
    """Milliseconds of the spans that lie between the two times."""
    return sum(max(0, min(end, after) - max(start, before)) for start, end in spans)
