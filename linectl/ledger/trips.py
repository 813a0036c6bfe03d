"""Kept trips: what came first, and every input five seconds before and two after, through a cut.

A trip is written at once with what led to it, and once more when its window is whole; between the
two a power cut leaves the part before.
"""

from __future__ import annotations

import json
import sqlite3
from collections.abc import Mapping, Sequence
from typing import Any, NamedTuple

from linectl.errors import LedgerUnreachable, UsageError
from linectl.image import Value
from linectl.ledger.opening import explain
from linectl.site.hardware import Point

TRIPS_KEPT = 200
"""The newest are kept: at some 40 kB each they stay within 10 MB, and a line that trips ten times
a shift has the last weeks."""

KEEP = """
INSERT INTO trips (boot, number, wall_ms, told, inputs, complete) VALUES (?, ?, ?, ?, ?, ?)
ON CONFLICT (boot, number) DO UPDATE SET
    told = excluded.told, inputs = iif(excluded.inputs = '', inputs, excluded.inputs),
    complete = max(complete, excluded.complete)
"""

FORGET = "DELETE FROM trips WHERE id <= (SELECT max(id) FROM trips) - ?"

Pairs = Sequence[tuple[int, Value]]


class Entry(NamedTuple):
    """What one scan was told and wrote, by point index. `at`: the controller's ms."""

    at: int
    values: Pairs
    quality: Sequence[tuple[int, bool]]
    outputs: Pairs


class Window(NamedTuple):
    """Inputs and outputs as they stood at `from_ms`, and every change after it up to `to_ms`."""

    from_ms: int
    to_ms: int
    values: Mapping[int, Value]
    good: Mapping[int, bool]
    outputs: Mapping[int, Value]
    entries: Sequence[Entry]


class TripRow(NamedTuple):
    """One state of a trip's record, to be kept. `window` None: the record alone has altered."""

    number: int
    began_ms: int
    told: Mapping[str, Any]
    window: Window | None
    complete: bool


class KeptTrip(NamedTuple):
    """A trip as the ledger has it. `began_ms`: the controller's; `wall_ms`: the same, Unix ms."""

    id: int
    boot: int
    wall_ms: int
    told: Mapping[str, Any]
    window: Mapping[str, Any] | None
    complete: bool


def keep(
    path: str, connection: sqlite3.Connection, boot: int, started_ms: int,
    points: Sequence[Point], row: TripRow,
) -> None:  # fmt: skip
    """Write it in one transaction; the oldest make room. Raises LedgerUnreachable."""
    inputs = "" if row.window is None else json.dumps(plain_window(row.window, points))
    values = (boot, row.number, started_ms + row.began_ms, json.dumps(row.told), inputs)
    try:
        connection.execute("BEGIN IMMEDIATE")
        connection.execute(KEEP, (*values, int(row.complete)))
        connection.execute(FORGET, (TRIPS_KEPT,))
        connection.execute("COMMIT")
    except sqlite3.Error as error:
        if connection.in_transaction:
            connection.execute("ROLLBACK")
        raise explain(path, error) from error


def plain_window(window: Window, points: Sequence[Point]) -> dict[str, Any]:
    """By tag, as the tag says it (inverted points turned round); None where nobody could read.

    before, outputs_before: how all stood at from_ms. changes, outputs: [ms, tag, value].
    """
    values, good = dict(window.values), dict(window.good)

    def said(index: int) -> Value | None:
        value = values.get(index)
        if value is None or not good.get(index, False):
            return None
        return bool(value) is not points[index].invert if points[index].is_bool else value

    before = {p.tag: said(p.index) for p in points if p.direction == "in"}
    shown = dict(before)
    changes, outputs = [], []
    for entry in window.entries:
        good.update(entry.quality)
        values.update(entry.values)
        touched = {index for index, _ in (*entry.quality, *entry.values)}
        for index in sorted(touched):
            tag, now = points[index].tag, said(index)
            if shown.get(tag) != now:
                shown[tag] = now
                changes.append([entry.at, tag, now])
        outputs += [[entry.at, points[index].tag, value] for index, value in entry.outputs]
    return {
        "from_ms": window.from_ms,
        "to_ms": window.to_ms,
        "before": before,
        "outputs_before": {points[index].tag: value for index, value in window.outputs.items()},
        "changes": changes,
        "outputs": outputs,
    }


def read_trips(path: str, site: str) -> list[KeptTrip]:
    """The kept trips of that site's ledger, the newest first, without their windows.

    A controller may be writing meanwhile. Raises LedgerUnreachable.
    """
    rows = _all(path, site, "SELECT id, boot, wall_ms, told, '', complete FROM trips ORDER BY id")
    return [_kept(row) for row in reversed(rows)]


def read_trip(path: str, site: str, number: int) -> KeptTrip:
    """One kept trip whole. Raises LedgerUnreachable, UsageError if there is none of that number."""
    rows = _all(
        path, site, "SELECT id, boot, wall_ms, told, inputs, complete FROM trips WHERE id = ?",
        (number,),
    )  # fmt: skip
    if not rows:
        raise UsageError(f"ledger {path}: it has no trip {number}; name one from the list")
    return _kept(rows[0])


def _kept(row: tuple[Any, ...]) -> KeptTrip:
    identity, boot, wall_ms, told, inputs, complete = row
    window = json.loads(inputs) if inputs else None
    return KeptTrip(identity, boot, wall_ms, json.loads(told), window, bool(complete))


def _all(path: str, site: str, sql: str, values: tuple[object, ...] = ()) -> list[tuple[Any, ...]]:
    """Rows of a ledger that is only read. After a power cut SQLite mends the file, hence rw."""
    try:
        connection = sqlite3.connect(f"file:{path}?mode=rw", uri=True)
        try:
            connection.execute("PRAGMA query_only = ON")
            known = connection.execute("SELECT value FROM meta WHERE key = 'site'").fetchone()
            if known is not None and known[0] != site:
                raise LedgerUnreachable(
                    f"ledger {path}: it belongs to site {known[0]}, not to {site}"
                )
            if not connection.execute(
                "SELECT 1 FROM sqlite_master WHERE name = 'trips'"
            ).fetchone():
                return []
            return connection.execute(sql, values).fetchall()
        finally:
            connection.close()
    except sqlite3.Error as error:
        raise explain(path, error) from error
