"""An older ledger is brought forward to these tables: a copy beside it, then one transaction.

Cut off anywhere, the file is still the older one, and the next opening begins again.
"""

from __future__ import annotations

import filecmp
import os
import sqlite3
from contextlib import closing
from pathlib import Path

from linectl.errors import LedgerBroken
from linectl.ledger.checkpoint import keep_migrated
from linectl.ledger.schema import KINDS, MARKS, TABLES, VIEWS

FIRST = ("boots", "lots", "places", "gutters", "moves", "events", "trips")
"""Tables of version 1 that are written anew; those that they are copied from are `first_NAME`."""

ADDED = ("TABLE gutter_weights", "INDEX events_set")
"""What version 3 has beside version 2."""

_CODES = " ".join(f"WHEN '{name}' THEN {code}" for name, code in KINDS.items())


def _place(column: str) -> str:
    """SQL: the place of `lane3.germ.17`, `lane3.lift` or `fill`."""
    stem = f"rtrim({column}, '0123456789')"
    return f"CASE WHEN {stem} LIKE '%_.' THEN rtrim({stem}, '.') ELSE {column} END"


def _slot(column: str) -> str:
    """SQL: the slot of `lane3.germ.17`, else 0."""
    stem = f"rtrim({column}, '0123456789')"
    return (
        f"CASE WHEN {stem} LIKE '%_.' THEN CAST(substr({column}, length({stem}) + 1) AS INTEGER)"
        " ELSE 0 END"
    )


FORWARD = f"""
INSERT INTO boots
    SELECT id, started_ms, started_ms, '', 0, ended_ms, digest, version, in_lanes
    FROM first_boots;
INSERT INTO lots SELECT id, 'sowing', name, crop, opened_ms, '' FROM first_lots;
INSERT INTO places SELECT id, name, kind, lane, slots, strokes FROM first_places;
INSERT INTO moves
    SELECT m.number, m.boot, CASE m.kind {_CODES} END, m.gutter,
           s.id, {_slot("m.source")}, d.id, {_slot("m.dest")},
           coalesce(m.intended_ms, m.done_ms), m.done_ms - coalesce(m.intended_ms, m.done_ms)
    FROM first_moves AS m LEFT JOIN places AS s ON s.name = {_place("m.source")}
                          LEFT JOIN places AS d ON d.name = {_place("m.dest")};
INSERT INTO gutters (id, crop, place, seat, lot, sown_ms, ripe_ms,
                     fed_ms, indexed_ms, ejected_ms, handed_ms, lane)
    SELECT g.id, g.crop, g.place, g.seat, g.lot, g.sown_ms, g.ripe_ms,
           max(iif(m.kind = {KINDS["feed"]}, m.intended_ms + m.took_ms, NULL)),
           max(iif(m.kind = {KINDS["insert"]}, m.intended_ms + m.took_ms, NULL)),
           max(iif(m.kind = {KINDS["eject"]}, m.intended_ms + m.took_ms, NULL)),
           max(iif(m.kind = {KINDS["handover"]}, m.intended_ms + m.took_ms, NULL)),
           coalesce(max(iif(m.kind = {KINDS["insert"]} AND m.took_ms IS NOT NULL, d.lane, NULL)),
                    (SELECT lane FROM places WHERE id = g.place))
    FROM first_gutters AS g LEFT JOIN moves AS m ON m.gutter = g.id AND g.id > 0
                            LEFT JOIN places AS d ON d.id = m.dest
    GROUP BY g.id;
INSERT INTO events SELECT id, boot, wall_ms, kind, source, text, data FROM first_events;
"""
"""From version 1. Every v1 gutter was inserted once at most, so the greatest is the only one."""

TRIPS = (
    "INSERT INTO trips SELECT id, boot, number, wall_ms, told, inputs, complete FROM first_trips"
)


def bring_forward(path: str, connection: sqlite3.Connection, version: int) -> None:
    """Keep a copy as `PATH.v1` (the number is its version), then bring the file forward.

    Raises sqlite3.Error, OSError (the copy could not be kept) and LedgerBroken (the record
    contradicts itself); then the file is as it was.
    """
    _keep_copy(path, connection, version)
    connection.execute("BEGIN IMMEDIATE")
    try:
        if version == 1:
            _write_anew(connection)
        else:
            _add_to(connection)
        connection.execute("COMMIT")
    except sqlite3.IntegrityError as error:
        raise LedgerBroken(
            f"ledger {path}: its record contradicts itself ({error}), so it cannot be brought"
            " forward; keep the file, begin another ledger. Nothing was altered."
        ) from error
    finally:
        if connection.in_transaction:
            connection.execute("ROLLBACK")


def _add_to(connection: sqlite3.Connection) -> None:
    """Version 2 to 3: one table more, and more kinds are set by people. The rest stays."""
    connection.execute("DROP INDEX events_set")
    for statement in _statements(TABLES):
        if any(f"CREATE {what} " in statement for what in ADDED):
            connection.execute(statement)
    for statement in _statements(MARKS):
        connection.execute(statement)


def _write_anew(connection: sqlite3.Connection) -> None:
    """Version 1 to this one."""
    run = connection.execute
    found = {name for (name,) in run("SELECT name FROM sqlite_master WHERE type = 'table'")}
    run("DROP VIEW slots")
    run("DROP INDEX gutters_by_place")
    old = [name for name in FIRST if name in found]  # a ledger may have been begun without trips
    for name in old:
        run(f"ALTER TABLE {name} RENAME TO first_{name}")
    kept = {"meta", "crops"}  # as they were
    for statement in _statements(TABLES):
        if not any(f"CREATE TABLE {name} " in statement for name in kept):
            run(statement)
    for statement in _statements(FORWARD):
        run(statement)
    if "trips" in old:
        run(TRIPS)
    for name in reversed(old):
        run(f"DROP TABLE first_{name}")
    keep_migrated(connection)
    for statement in _statements(VIEWS + MARKS):
        run(statement)


def _statements(script: str) -> list[str]:
    """One by one: `executescript` would commit before the first."""
    found, statement = list[str](), ""
    for line in script.splitlines(keepends=True):
        statement += line
        if sqlite3.complete_statement(statement):
            found.append(statement)
            statement = ""
    return found


def _keep_copy(path: str, connection: sqlite3.Connection, version: int) -> None:
    """A whole copy at `PATH.v1`, on disk before anything is altered; one that is there stays."""
    partial = Path(f"{path}.v{version}.partial")
    partial.unlink(missing_ok=True)
    with closing(sqlite3.connect(partial, isolation_level=None)) as target:
        connection.backup(target)
        target.execute("PRAGMA journal_mode = DELETE")  # one file, whole by itself
    descriptor = os.open(partial, os.O_RDONLY)
    try:
        os.fsync(descriptor)
    finally:
        os.close(descriptor)
    os.replace(partial, _free_name(path, version, partial))
    folder = os.open(Path(path).resolve().parent, os.O_RDONLY)
    try:
        os.fsync(folder)
    finally:
        os.close(folder)


def _free_name(path: str, version: int, copy: Path) -> Path:
    """`PATH.v1`, unless another copy has that name (a ledger that was here before)."""
    for number in range(1, 100):
        name = Path(f"{path}.v{version}" if number == 1 else f"{path}.v{version}-{number}")
        if not name.exists() or filecmp.cmp(name, copy, shallow=False):
            return name
    return name
