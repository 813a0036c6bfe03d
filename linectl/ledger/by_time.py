"""Rows of the big tables by time, without an index: ledger time never goes back, so ids tell it.

A stretch of time is found by bisection over the ids, which stays quick in a ledger of years.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Callable
from typing import NamedTuple


class Timed(NamedTuple):
    """A table whose rows lie in order of time: its key and the column that says when."""

    table: str
    key: str
    time: str


EVENTS = Timed("events", "id", "at_ms")
MOVES = Timed("moves", "number", "intended_ms")


def first_at(connection: sqlite3.Connection, timed: Timed, at_ms: int | None) -> int:
    """Key of the first row at or after a time; one beyond the last if there is none, or for None.

    0 for an empty table.
    """
    table, key, time = timed
    run = connection.execute
    low, last = run(
        f"SELECT (SELECT min({key}) FROM {table}), (SELECT max({key}) FROM {table})"
    ).fetchone()
    if low is None:
        return 0
    if at_ms is None:
        return int(last) + 1
    next_row = f"SELECT {key}, {time} FROM {table} WHERE {key} >= ? ORDER BY {key} LIMIT 1"
    return _bisect(low, last + 1, lambda n: run(next_row, (n,)).fetchone(), at_ms)


def _bisect(low: int, high: int, row_from: Callable[[int], tuple[int, int]], at_ms: int) -> int:
    """The least key in low ≤ key ≤ high whose row, or the next one there is, is not before at."""
    while low < high:
        middle = (low + high) // 2
        key, time = row_from(middle)
        if time < at_ms:
            low = key + 1
        else:
            high = middle
    return low
