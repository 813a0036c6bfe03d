"""The whole path of one gutter: every place from when to when, and its slots from day to day.

In a run a gutter goes one slot with each stroke, so its slots between two of its own moves are
counted from the strokes of that run, and told as a range for each day (UTC).
"""

from __future__ import annotations

import json
import sqlite3
import time
from collections.abc import Iterable
from dataclasses import dataclass
from typing import NamedTuple

from linectl.ledger.schema import KINDS, NAMES, SET_BY_PEOPLE

DAY_MS = 86_400_000
STILL = frozenset((KINDS["process"], KINDS["reserve"], KINDS["release"]))
"""Kinds of moves that leave the gutter where it is."""

MOVES = """
SELECT number, kind, source, source_slot, dest, dest_slot, intended_ms, intended_ms + took_ms
FROM moves WHERE gutter = ? ORDER BY number
"""

STROKES = f"""
SELECT (intended_ms + took_ms) / {DAY_MS}, count(*) FROM moves
WHERE gutter = -1 AND number BETWEEN ? AND ? AND kind = {KINDS["stroke"]} AND source = ?
  AND took_ms IS NOT NULL
GROUP BY 1 ORDER BY 1
"""

ROW = """
SELECT g.id, g.crop, g.place, g.lane, g.fed_ms, g.wet_ms, g.sown_ms, g.ripe_ms, g.indexed_ms,
       g.ejected_ms, g.handed_ms, s.name, b.name, e.name, k.name, p.strokes - g.seat
FROM gutters g JOIN places p ON p.id = g.place
     LEFT JOIN lots s ON s.id = g.lot LEFT JOIN lots b ON b.id = g.substrate_lot
     LEFT JOIN lots e ON e.id = g.seed_lot LEFT JOIN lots k ON k.id = g.packing_lot
WHERE g.id = ?
"""


FIRST = f"""
SELECT at_ms, data FROM events WHERE kind IN ({SET_BY_PEOPLE}) AND kind = 'first_gutter'
  AND source = ? ORDER BY id
"""


class First(NamedTuple):
    """What was found of a gutter that was the first of its seed: good, bad, or none (nobody had
    looked when it was taken off). seeds: None where they were not counted."""

    at_ms: int
    crop: str
    lot: str
    seeds: int | None
    verdict: str
    text: str
    by: str


class Day(NamedTuple):
    """A gutter's slots on one day of the ledger's time (UTC), by its strokes."""

    from_ms: int
    from_slot: int
    to_slot: int


class Stay(NamedTuple):
    """A gutter at one place. came: by which kind of move; empty: it stood there already.

    from_ms, to_ms: None where the ledger does not know, or it is there still. Slots are None where
    the place has none. days: in a run for longer than a day, its slots from day to day.
    """

    place: str
    came: str
    from_ms: int | None
    to_ms: int | None
    from_slot: int | None
    to_slot: int | None
    days: tuple[Day, ...] = ()


class Archived(NamedTuple):
    """Moves up to at_ms (ledger time) are in another file, or in one before it."""

    at_ms: int
    file: str

    @property
    def text(self) -> str:
        """Where they are, for people."""
        day = time.strftime("%Y-%m-%d", time.gmtime(self.at_ms // 1000))
        return f"moves up to {day} (UTC) are in the archive {self.file} or an earlier one"


class Act(NamedTuple):
    """A process, a reservation, or a move that was never seen done (done_ms None)."""

    kind: str
    place: str
    dest: str
    intended_ms: int
    done_ms: int | None


@dataclass(frozen=True)
class GutterPath:
    """One gutter: its lots, its times (ledger time; None: not so far), where it has been."""

    id: int
    crop: str
    lane: int | None
    lots: dict[str, str | None]
    times: dict[str, int | None]
    stays: list[Stay]
    acts: list[Act]
    remarks: list[str]
    first: list[First]
    """Of a changeover's first gutter: what was found."""


class _Move(NamedTuple):
    number: int
    kind: int
    source: int
    source_slot: int
    dest: int
    dest_slot: int
    intended_ms: int
    done_ms: int | None


def gutter_path(connection: sqlite3.Connection, gutter: int) -> GutterPath | None:
    """The path of a gutter; None if the ledger has none of that number. Raises sqlite3.Error."""
    row = connection.execute(ROW, (gutter,)).fetchone()
    if row is None:
        return None
    _, crop, place, lane, *rest = row
    times = dict(zip(
        ("fed_ms", "wet_ms", "sown_ms", "ripe_ms", "indexed_ms", "ejected_ms", "handed_ms"),
        rest[:7], strict=True,
    ))  # fmt: skip
    named = dict(zip(("sowing", "substrate", "seed", "packing"), rest[7:11], strict=True))
    moves = [_Move(*move) for move in connection.execute(MOVES, (gutter,))]
    places = {
        identity: (name, kind)
        for identity, name, kind in connection.execute("SELECT id, name, kind FROM places")
    }
    slot = rest[11] if places[place][1] == "run" else None
    stays = _Stays(connection, places)
    for move in moves:
        if move.done_ms is not None and move.kind not in STILL:
            stays.take(move)
    stays.end(place, slot)
    acts = [
        Act(NAMES[move.kind], places[move.source][0], places[move.dest][0], move.intended_ms,
            move.done_ms)
        for move in moves if move.done_ms is None or move.kind in STILL
    ]  # fmt: skip
    remarks = _remarks(moves, times, named, archived(connection))
    first = [
        First(at_ms, *(json.loads(data)[name] for name in First._fields[1:]))
        for at_ms, data in connection.execute(FIRST, (f"gutter{gutter}",))
    ]
    return GutterPath(gutter, crop, lane, named, times, stays.found, acts, remarks, first)


class _Stays:
    """Puts the stays of a gutter together from its done moves, in order."""

    def __init__(self, connection: sqlite3.Connection, places: dict[int, tuple[str, str]]) -> None:
        self.found: list[Stay] = []
        self._connection = connection
        self._places = places
        self._last: _Move | None = None

    def take(self, move: _Move) -> None:
        """The gutter has left a place and come to another."""
        self._close(move.source, move.source_slot, move.number, move.done_ms)
        self._last = move

    def end(self, place: int, slot: int | None) -> None:
        """Where it is now."""
        self._close(place, slot, None, None)

    def _close(self, place: int, slot: int | None, number: int | None, to_ms: int | None) -> None:
        last = self._last
        name, kind = self._places[place]
        slot = slot if kind == "run" else None
        if last is None:
            if kind != "end":  # an empty from the stock has been nowhere before
                self.found.append(Stay(name, "", None, to_ms, None, slot))
            return
        came, from_slot = NAMES[last.kind], last.dest_slot if kind == "run" else None
        days: tuple[Day, ...] = ()
        if kind == "run" and from_slot is not None and last.done_ms is not None:
            days = self._days(place, last.number, number, last.done_ms, from_slot)
        self.found.append(Stay(name, came, last.done_ms, to_ms, from_slot, slot, days))

    def _days(
        self, run: int, first: int, last: int | None, from_ms: int, slot: int
    ) -> tuple[Day, ...]:
        """A range of slots for each day on which the run has stroked."""
        limit = last if last is not None else 2**63 - 1
        found = []
        for day, strokes in self._connection.execute(STROKES, (first, limit, run)):
            found.append(Day(max(day * DAY_MS, from_ms), slot, slot + strokes))
            slot += strokes
        return tuple(found) if len(found) > 1 else ()


def archived(connection: sqlite3.Connection) -> Archived | None:
    """The newest archive that moves were taken to; None if all are here. Raises sqlite3.Error."""
    row = connection.execute(
        "SELECT at_ms, archive FROM checkpoint WHERE archive != '' ORDER BY id DESC LIMIT 1"
    ).fetchone()
    return None if row is None else Archived(*row)


def came_to(times: dict[str, int | None]) -> dict[str, int | None]:
    """By kind of lot, when a gutter had come so far that it should have one; None: not yet."""
    sown = times["sown_ms"]
    filled = times["wet_ms"] if sown is None else sown  # what is wet was filled before
    return {"sowing": sown, "substrate": filled, "seed": sown, "packing": times["handed_ms"]}


def _remarks(
    moves: Iterable[_Move],
    times: dict[str, int | None],
    named: dict[str, str | None],
    gone: Archived | None,
) -> list[str]:
    """What the record does not know of it, or knows from a person alone."""
    said = []
    kinds = [move.kind for move in moves if move.done_ms is not None]
    if KINDS["feed"] not in kinds:
        said.append(
            "its beginning is not in these moves: "
            + ("it stood here when the ledger began" if gone is None else gone.text)
        )
    if KINDS["correct"] in kinds:
        said.append("a person has corrected its place, or removed it")
    if KINDS["reject"] in kinds:
        said.append("it was rejected")
    if any(move.done_ms is None for move in moves):
        said.append("a move of it was never seen done: people or sensors have settled it after")
    said += [f"its {kind} lot was not named" for kind, at_ms in came_to(times).items()
             if at_ms is not None and named[kind] is None]  # fmt: skip
    return said
