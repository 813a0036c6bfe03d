"""Lots as the ledger keeps them: which are loaded, what a packing lot weighed, found by name."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterable, Mapping
from typing import Any, NamedTuple

from linectl.image import Loaded

COLUMNS = {
    "sowing": "lot",
    "substrate": "substrate_lot",
    "seed": "seed_lot",
    "packing": "packing_lot",
}
"""By kind of lot, the column of `gutters` that names it; each has an index."""


class Lot(NamedTuple):
    """A lot. crop: that of a sowing lot, or with which a seed lot was first named, else empty.

    opened_ms: when it was first named (ledger time). by: who named it; empty: the line itself.
    """

    id: int
    kind: str
    name: str
    crop: str
    opened_ms: int
    by: str


class Weight(NamedTuple):
    """One weighing of a packing lot; below zero: a wrong one taken back. crop: empty if unsaid."""

    kg: float
    crop: str
    at_ms: int
    by: str


def loaded(connection: sqlite3.Connection, started_ms: int) -> list[Loaded]:
    """What is loaded now, as a line is told at start. Raises sqlite3.Error."""
    rows = connection.execute(
        'SELECT u.kind, u.crop, l.name, u."by", u.since_ms - ? FROM in_use u'
        " JOIN lots l ON l.id = u.lot ORDER BY u.kind, u.crop",
        (started_ms,),
    )
    return [Loaded(*row) for row in rows]


def unload(connection: sqlite3.Connection, kind: str, crop: str) -> None:
    """Nobody knows what is loaded from now on. Raises sqlite3.Error."""
    connection.execute("DELETE FROM in_use WHERE kind = ? AND crop = ?", (kind, crop))


def weigh(connection: sqlite3.Connection, lot: int, data: Mapping[str, Any], at_ms: int) -> None:
    """Keep one weighing. Data: crop, kg, by. Raises sqlite3.Error."""
    connection.execute(
        'INSERT INTO weights (lot, crop, kg, at_ms, "by") VALUES (?, ?, ?, ?, ?)',
        (lot, data.get("crop") or "", data["kg"], at_ms, data.get("by") or ""),
    )


def weigh_gutter(connection: sqlite3.Connection, data: Mapping[str, Any], at_ms: int) -> None:
    """Keep what a scale weighed of a gutter; the last time holds. Data: gutter, crop, kg.

    Raises sqlite3.Error.
    """
    connection.execute(
        "INSERT OR REPLACE INTO gutter_weights (gutter, crop, kg, at_ms) VALUES (?, ?, ?, ?)",
        (data["gutter"], data.get("crop") or "", data["kg"], at_ms),
    )


def find(connection: sqlite3.Connection, name: str) -> list[Lot]:
    """Every lot of that name: of one kind at most one."""
    rows = connection.execute(
        "SELECT id, kind, name, coalesce(crop, ''), opened_ms, \"by\" FROM lots"
        f" WHERE kind IN ({', '.join('?' * len(COLUMNS))}) AND name = ? ORDER BY id",
        (*COLUMNS, name),
    )
    return [Lot(*row) for row in rows]


def names(connection: sqlite3.Connection, kinds: Iterable[str] = tuple(COLUMNS)) -> list[str]:
    """The names of all lots of those kinds, the newest first."""
    wanted = frozenset(kinds)
    rows = connection.execute("SELECT name, kind FROM lots ORDER BY id DESC")
    return [name for name, kind in rows if kind in wanted]


def gutters_in_packing_lot(connection: sqlite3.Connection, name: str) -> bool:
    """Whether any gutter was handed over to it."""
    found = connection.execute(
        "SELECT EXISTS (SELECT 1 FROM lots l JOIN gutters g ON g.packing_lot = l.id"
        " WHERE l.kind = 'packing' AND l.name = ?)",
        (name,),
    ).fetchone()
    return bool(found[0])


def weights(connection: sqlite3.Connection, lot: int) -> list[Weight]:
    """The weighings of a packing lot, in order."""
    rows = connection.execute(
        'SELECT kg, crop, at_ms, "by" FROM weights WHERE lot = ? ORDER BY id', (lot,)
    )
    return [Weight(*row) for row in rows]
