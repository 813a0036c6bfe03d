"""An archive's file: the ledger's own tables, as they were at the cut, proved before it counts."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator, Sequence
from contextlib import closing
from dataclasses import dataclass
from itertools import zip_longest
from pathlib import Path
from typing import Any

from linectl.errors import LedgerBroken
from linectl.ledger.checkpoint import Checkpoint, State
from linectl.ledger.keeping import PARTIAL, put_in_place, writing
from linectl.ledger.places import UNKNOWN
from linectl.ledger.schema import MARKS, TABLES, VIEWS
from linectl.ledger.verify import Tell, verify
from linectl.ledger.verify_moves import Machine
from linectl.ledger.verify_state import (
    EJECTED,
    FED,
    HANDED,
    INDEXED,
    LANE,
    NEVER,
    SOWN,
    WET,
    WIDTH,
)

CHUNK = 20_000

WHOLE = ("meta", "crops", "lots", "weights", "gutter_weights")
"""Tables that an archive has as they are."""
STAMPS: dict[str, tuple[int, tuple[str, ...]]] = {
    "fed_ms": (FED, ()),
    "wet_ms": (WET, ()),
    "sown_ms": (SOWN, ("ripe_ms", "lot", "seed_lot")),
    "indexed_ms": (INDEXED, ()),
    "ejected_ms": (EJECTED, ()),
    "handed_ms": (HANDED, ("packing_lot",)),
}
"""Times of a gutter, their columns in the replay, and what else was not known before each."""


@dataclass(frozen=True)
class Cut:
    """Where the ledger is cut: moves `first` to `number` - 1 go; the state before `number`."""

    first: int
    number: int
    from_ms: int
    at_ms: int
    last_gutter: int
    state: State
    machine: Machine
    checkpoints: list[Checkpoint]


def write_archive(
    path: str, ledger: sqlite3.Connection, cut: Cut, file: Path, events: str, tell: Tell
) -> tuple[str, int]:
    """Write, prove and name it; returns its digest and how many events it has.

    events: SQL, which events go. Raises LedgerUnreachable; LedgerBroken: it is not what it should
    be (then it was not given its name).
    """
    partial = file.with_name(file.name + PARTIAL)
    with writing(file):
        try:
            partial.unlink(missing_ok=True)
            with closing(sqlite3.connect(partial, isolation_level=None)) as copy:
                count = _fill(ledger, copy, cut, events, tell)
            _prove(path, ledger, cut, partial, events, tell)
            return put_in_place(partial, file), count
        finally:
            partial.unlink(missing_ok=True)


def _fill(
    ledger: sqlite3.Connection, copy: sqlite3.Connection, cut: Cut, events: str, tell: Tell
) -> int:
    copy.execute("PRAGMA journal_mode = OFF")  # until it has its name it is nothing
    copy.execute("PRAGMA synchronous = OFF")
    copy.executescript(f"{TABLES} {VIEWS} {MARKS}")
    copy.execute("BEGIN")
    for name in WHOLE:
        _put(copy, name, ledger.execute(f"SELECT * FROM {name}"))
    _put(copy, "boots", ledger.execute("SELECT * FROM boots WHERE started_ms <= ?", (cut.at_ms,)))
    strokes = cut.state.strokes
    _put(copy, "places", ([*row[:-1], strokes.get(row[0], 0)]
                          for row in ledger.execute("SELECT * FROM places")))  # fmt: skip
    _put(copy, "gutters", _gutters(ledger, cut))
    done = 0
    for rows in _chunks(_moves(ledger, cut)):
        _put(copy, "moves", rows)
        done += len(rows)
        tell("moves copied", done, cut.number - cut.first)
    count = 0
    for rows in _chunks(_events(ledger, cut, events)):
        _put(copy, "events", rows)
        count += len(rows)
    kept = [point.id for point in cut.checkpoints]
    _put(copy, "checkpoint", (row for row in ledger.execute("SELECT * FROM checkpoint")
                              if row[0] in kept))  # fmt: skip
    copy.execute("COMMIT")
    return count


def _put(copy: sqlite3.Connection, name: str, rows: Any) -> None:
    first = next(iterator := iter(rows), None)
    if first is None:
        return
    marks = ", ".join("?" * len(first))
    copy.execute(f"INSERT INTO {name} VALUES ({marks})", tuple(first))
    copy.executemany(f"INSERT INTO {name} VALUES ({marks})", iterator)


def _moves(ledger: sqlite3.Connection, cut: Cut) -> Iterator[Sequence[Any]]:
    """Every move before the cut that is here; one under way then is not yet done."""
    under_way = cut.state.under_way
    for row in ledger.execute(
        "SELECT * FROM moves WHERE number < ? ORDER BY number", (cut.number,)
    ):
        yield (*row[:-1], None) if row[0] in under_way else row


def _events(ledger: sqlite3.Connection, cut: Cut, which: str) -> Iterator[Sequence[Any]]:
    for row in ledger.execute(f"SELECT * FROM events WHERE {which} ORDER BY id"):
        if row[2] >= cut.at_ms:
            return
        yield row


def _gutters(ledger: sqlite3.Connection, cut: Cut) -> Iterator[Sequence[Any]]:
    """Every gutter known at the cut, where it was and as much of it as was known."""
    cursor = ledger.execute(
        "SELECT * FROM gutters WHERE id BETWEEN 1 AND ? ORDER BY id", (cut.last_gutter,)
    )
    names = [column[0] for column in cursor.description]
    machine = cut.machine
    for row in cursor:
        told = dict(zip(names, row, strict=True))
        start = machine.row_of.get(told["id"])
        known = [NEVER] * WIDTH if start is None else machine.told[start : start + WIDTH]
        for stamp, (column, others) in STAMPS.items():
            value = told[stamp]
            if value is not None and value >= cut.at_ms and value != known[column]:
                told |= dict.fromkeys((stamp, *others))
        key = machine.where.get(told["id"])
        if key is not None:
            told["place"], told["seat"] = machine.parts(key)
            told["lane"] = None if known[LANE] == NEVER else known[LANE]
        yield tuple(told.values())
    unnamed = [machine.parts(key) for key, gutter in machine.at.items() if gutter == UNKNOWN]
    for number, (place, seat) in enumerate(sorted(unnamed), 1):
        told = dict.fromkeys(names) | {"id": -number, "crop": "", "place": place, "seat": seat}
        yield tuple(told.values())


def _prove(
    path: str, ledger: sqlite3.Connection, cut: Cut, partial: Path, events: str, tell: Tell
) -> None:
    """The archive has every row, and verifies by itself."""
    with closing(sqlite3.connect(partial)) as copy:
        pairs = (
            ("moves", _moves(ledger, cut), copy.execute("SELECT * FROM moves ORDER BY number")),
            ("events", _events(ledger, cut, events),
             copy.execute("SELECT * FROM events ORDER BY id")),
        )  # fmt: skip
        for name, here, there in pairs:
            for a, b in zip_longest(here, there):
                if a != b:
                    raise LedgerBroken(
                        f"ledger {path}: the archive has {name} {b and b[0]} where {a and a[0]}"
                        " belongs; have the disk checked. Nothing was taken away."
                    )
    first = verify(str(partial), tell).first
    if first is not None:
        raise LedgerBroken(
            f"ledger {path}: the archive of it does not verify ({first.text});"
            " nothing was taken away. Send both files to whoever maintains linectl."
        )


def _chunks(rows: Iterator[Sequence[Any]]) -> Iterator[list[Sequence[Any]]]:
    chunk: list[Sequence[Any]] = []
    for row in rows:
        chunk.append(row)
        if len(chunk) == CHUNK:
            yield chunk
            chunk = []
    if chunk:
        yield chunk
