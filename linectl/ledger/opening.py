"""Opening a ledger's file: settings read back, wrong files refused, errors said for people."""

from __future__ import annotations

import contextlib
import os
import sqlite3
from pathlib import Path
from typing import IO

from linectl.errors import LedgerUnreachable, LinectlError
from linectl.field.lock_file import held_by, hold, holder
from linectl.ledger.migration import bring_forward
from linectl.ledger.schema import APPLICATION_ID, MARKS, TABLES, VERSION, VIEWS

MEMORY = ":memory:"
BUSY_MS = 2000
"""How long a statement waits for another program's lock before it gives up."""

_ADVICE = {
    "SQLITE_BUSY": "another program holds it locked; close that program, or wait, then try again",
    "SQLITE_LOCKED": "another program holds it locked; close that program, then try again",
    "SQLITE_READONLY": "it can only be read; give this user the right to write file and folder",
    "SQLITE_FULL": "the disk is full; free space, the record goes on by itself",
    "SQLITE_NOTADB": "it is not a ledger (not an SQLite file); name another file",
    "SQLITE_CANTOPEN": "it cannot be opened; does its folder exist, may this user write there?",
    "SQLITE_CORRUPT": "it is damaged; keep the file as it is and go back to a backup copy",
    "SQLITE_IOERR": "the disk reports an error; check disk and cable, keep the file",
}


def explain(path: str, error: sqlite3.Error) -> LedgerUnreachable:
    """What a person is told of an SQLite error: the file, what is wrong, what to do next."""
    name = getattr(error, "sqlite_errorname", None) or ""
    for code, advice in _ADVICE.items():
        if name == code or name.startswith(code + "_"):
            return LedgerUnreachable(f"ledger {path}: {advice}")
    return LedgerUnreachable(f"ledger {path}: {error} ({name or type(error).__name__})")


def connect(path: str) -> sqlite3.Connection:
    """A connection with the durability the ledger promises, read back, and our tables.

    Raises LedgerUnreachable: locked, read-only, full, not a ledger, or newer than this program;
    LedgerBroken: older, and its record contradicts itself.
    """
    if path != MEMORY and Path(path).is_dir():
        raise LedgerUnreachable(f"ledger {path}: it is a folder; name a file in it")
    connection: sqlite3.Connection | None = None
    try:
        # The writer's thread takes the connection over from the thread that opened it.
        connection = sqlite3.connect(
            path, timeout=BUSY_MS / 1000, isolation_level=None, check_same_thread=False
        )
        _refuse_foreign(path, connection)
        # Heard while the file is empty only: an archive can then give its pages back to the disk.
        connection.execute("PRAGMA auto_vacuum = INCREMENTAL")
        _set_durable(path, connection)
        version = _version(connection)
        if not version:
            _create(connection)
        elif version < VERSION:
            bring_forward(path, connection, version)
    except sqlite3.Error as error:
        if connection is not None:
            connection.close()
        raise explain(path, error) from error
    except OSError as error:
        if connection is not None:
            connection.close()
        raise LedgerUnreachable(
            f"ledger {path}: no copy of it could be kept beside it ({error.strerror}), so it was"
            " not brought forward; free space and give this user the right to write there"
        ) from error
    except LinectlError:
        if connection is not None:
            connection.close()
        raise
    return connection


def files_of(path: str) -> list[int]:
    """Which files a ledger is written to, ledger and log; 0 for one that is not there."""
    if path == MEMORY:
        return []
    found = []
    for name in (path, path + "-wal"):
        try:
            found.append(os.stat(name).st_ino)
        except OSError:
            found.append(0)
    return found


def _version(connection: sqlite3.Connection) -> int:
    return int(connection.execute("PRAGMA user_version").fetchone()[0])


def _refuse_foreign(path: str, connection: sqlite3.Connection) -> None:
    tables = connection.execute("SELECT count(*) FROM sqlite_master").fetchone()[0]
    mark = connection.execute("PRAGMA application_id").fetchone()[0]
    if tables and mark != APPLICATION_ID:
        raise LedgerUnreachable(
            f"ledger {path}: it is a database of another program, not a ledger; name another file"
        )
    version = _version(connection)
    if version > VERSION:
        raise LedgerUnreachable(
            f"ledger {path}: written by a newer linectl (tables version {version}, this one knows"
            f" {VERSION}); install the newer linectl. Nothing was written."
        )


def _set_durable(path: str, connection: sqlite3.Connection) -> None:
    """WAL with FULL: a commit that was acknowledged survives a power cut (NORMAL would not)."""
    wanted = "memory" if path == MEMORY else "wal"
    mode = connection.execute("PRAGMA journal_mode = WAL").fetchone()[0]
    connection.execute("PRAGMA synchronous = FULL")
    level = connection.execute("PRAGMA synchronous").fetchone()[0]
    if mode != wanted or level != 2:
        raise LedgerUnreachable(
            f"ledger {path}: the disk does not allow write-ahead logging with full"
            f" synchronisation (got {mode}, {level}); use a local disk, not a network share"
        )


def _create(connection: sqlite3.Connection) -> None:
    connection.executescript(f"BEGIN IMMEDIATE; {TABLES} {VIEWS} {MARKS} COMMIT;")


def take_ownership(path: str, site: str = "") -> IO[str] | None:
    """Hold the ledger, so that one controller at a time writes it, by whatever name it is called.

    The lock is on `PATH-owner`, PATH with all links followed: closing a second handle on the
    ledger itself would drop SQLite's own locks. A file with two names (hard links) is refused:
    SQLite looks for the write-ahead log by the name and calls the outcome undefined
    (sqlite.org/howtocorrupt.html). site: told to whoever comes second. None for a ledger in
    memory. Raises LedgerUnreachable when another process holds it, with who that is.
    """
    if path == MEMORY:
        return None
    whole = Path(os.path.realpath(path))
    lock = whole.with_name(whole.name + "-owner")
    try:
        _refuse_two_names(path, whole)
        handle = hold(lock, holder(site=site, ledger=str(whole)))
    except OSError as error:
        raise LedgerUnreachable(
            f"ledger {path}: it cannot be opened ({error.strerror or error}); does its folder"
            " exist, may this user write there?"
        ) from error
    if handle is None:
        raise LedgerUnreachable(
            f"ledger {path}: a controller writes it already ({held_by(lock)}); stop that one"
            " first, or name another file. Nothing was started."
        )
    return handle


def _refuse_two_names(path: str, whole: Path) -> None:
    with contextlib.suppress(FileNotFoundError):
        count = whole.stat().st_nlink
        if whole.is_file() and count > 1:
            raise LedgerUnreachable(
                f"ledger {path}: the file has {count} names (hard links), and its write-ahead log"
                " goes by one of them; keep the name that controllers use, and make what the"
                " other should be a copy. Nothing was written."
            )
