"""`ledger backup` and `ledger restore`: a whole, checksummed copy, and the way back to it."""

from __future__ import annotations

import os
import shutil
import sqlite3
import time
from contextlib import closing
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

from linectl.errors import LedgerBroken, LedgerUnreachable, UsageError
from linectl.ledger.keeping import PARTIAL, check_mark, free_name, put_in_place, sync, writing
from linectl.ledger.looking import looking
from linectl.ledger.opening import take_ownership
from linectl.ledger.verify import Tell, silent

PAGES_A_STEP = 256
"""A megabyte at a time; the controller writes between two steps."""
BEFORE = ".before-restore"
FIRST = 1
"""The oldest version of the tables that may be put back: a controller brings it forward."""


@dataclass(frozen=True)
class Last:
    """The end of a record: its last move and the ledger time of what it has last; 0: none."""

    move: int
    at_ms: int


@dataclass(frozen=True)
class Backup:
    """What `backup` wrote."""

    ledger: str
    backup: str
    bytes: int
    sha256: str
    last: Last

    def as_json(self) -> dict[str, Any]:
        """Keys as `ledger backup --json` prints them."""
        return asdict(self)


@dataclass(frozen=True)
class Restored:
    """What `restore` did. `lost`: the end of the record that was replaced; None: there was none, or
    it could not be read. `kept`: where it is now."""

    ledger: str
    backup: str
    sha256: str
    last: Last
    lost: Last | None
    kept: str | None

    def as_json(self) -> dict[str, Any]:
        """Keys as `ledger restore --json` prints them."""
        return asdict(self)


def backup(path: str, to: str, tell: Tell = silent) -> Backup:
    """Copy a ledger while its controller may be writing; it holds all up to the moment it began.

    `to`: a new file, or a folder, in which it gets a name with the date. A backup is never written
    over. Raises LedgerUnreachable (one of the two cannot be read or written), LedgerBroken (the
    ledger is not whole), UsageError (`to` is there already).
    """
    target = Path(to)
    if target.is_dir():
        day = time.strftime("%Y-%m-%d", time.gmtime())
        target = free_name(target, f"{Path(path).stem}-{day}", ".sqlite3")
    elif target.exists():
        raise UsageError(f"{target}: it is there already; name a new file, or a folder")
    partial = target.with_name(target.name + PARTIAL)
    with writing(target):
        try:
            partial.unlink(missing_ok=True)
            _copy(path, partial, tell)
            last = last_of(str(partial))
            digest = put_in_place(partial, target)
        finally:
            partial.unlink(missing_ok=True)
        return Backup(path, str(target), target.stat().st_size, digest, last)


def _copy(path: str, partial: Path, tell: Tell) -> None:
    def step(status: int, left: int, total: int) -> None:
        tell("pages", total - left, total)

    # The reader's transaction holds the moment: a copy would else begin anew at every commit.
    with looking(path) as ledger, closing(sqlite3.connect(partial)) as copy:
        ledger.backup(copy, pages=PAGES_A_STEP, progress=step, sleep=0.005)
        copy.execute("PRAGMA journal_mode = DELETE")  # one file, whole by itself
        _check_whole(path, copy)


def _check_whole(path: str, connection: sqlite3.Connection) -> None:
    try:
        found = connection.execute("PRAGMA integrity_check(1)").fetchone()[0]
    except sqlite3.DatabaseError as error:
        found = str(error)
    if found != "ok":
        raise LedgerBroken(
            f"ledger {path}: its pages do not hold together ({found}); keep it, take an older"
            " backup, and have the disk checked. Nothing was altered."
        )


def last_of(path: str) -> Last:
    """The end of a ledger's record. Raises LedgerUnreachable."""
    with looking(path, FIRST) as connection:
        version = connection.execute("PRAGMA user_version").fetchone()[0]
        time_of_event = "wall_ms" if version == FIRST else "at_ms"
        number, *times = connection.execute(
            "SELECT (SELECT max(number) FROM moves), (SELECT max(started_ms) FROM boots),"
            " (SELECT intended_ms FROM moves ORDER BY number DESC LIMIT 1),"
            f" (SELECT {time_of_event} FROM events ORDER BY id DESC LIMIT 1)"
        ).fetchone()
    return Last(number or 0, max(at_ms or 0 for at_ms in times))


def restore(copy: str, path: str, tell: Tell = silent) -> Restored:
    """Put a backup in a ledger's place. The ledger that was there is kept as `.before-restore`.

    Checked before anything is altered: the copy's checksum, version and pages, and that no
    controller holds the ledger. Killed in between, the ledger is the old one or the new one, never
    half. Raises LedgerUnreachable, LedgerBroken.
    """
    source, target = Path(copy), Path(path)
    tell("checksum", 0, 1)
    digest = check_mark(source)
    owner = take_ownership(path)
    try:
        partial = target.with_name(target.name + PARTIAL)
        last = _bring(source, partial, tell)
        with writing(target):
            lost, kept = _put_away(target)
            os.replace(partial, target)
            sync(target.parent)
    finally:
        if owner is not None:
            owner.close()
    return Restored(path, copy, digest, last, lost, kept)


def _bring(source: Path, partial: Path, tell: Tell) -> Last:
    """The copy beside the ledger, on disk and whole, before the ledger is touched."""
    with writing(partial):
        total, done = source.stat().st_size, 0
        with source.open("rb") as reading, partial.open("wb") as out:
            while block := reading.read(1 << 20):
                out.write(block)
                done += len(block)
                tell("bytes", done, total)
        sync(partial)
    with looking(str(partial), FIRST) as connection:
        _check_whole(str(source), connection)
    last = last_of(str(partial))
    _settle(partial)
    return last


def _settle(path: Path) -> None:
    """No log beside a file that is about to change its name."""
    for mark in ("-wal", "-shm"):
        path.with_name(path.name + mark).unlink(missing_ok=True)


def _put_away(target: Path) -> tuple[Last | None, str | None]:
    """Keep the present ledger beside under another name; the present one stays where it is.

    Its log belongs to it by name, so it is written into it first; a damaged ledger whose log
    cannot be is kept with the log.
    """
    if not target.exists():
        _settle(target)
        return None, None
    lost: Last | None = None
    try:
        lost = last_of(str(target))
        with closing(sqlite3.connect(target, isolation_level=None)) as connection:
            connection.execute("PRAGMA wal_checkpoint(TRUNCATE)")
            connection.execute("PRAGMA journal_mode = DELETE")
    except (sqlite3.Error, LedgerUnreachable):
        pass  # a damaged file is why one restores: it is kept as it is
    kept = free_name(target.parent, target.name + BEFORE, "")
    for mark in ("-wal", "-shm"):
        log = target.with_name(target.name + mark)
        if log.exists():
            _keep(log, kept.with_name(kept.name + mark))
    _keep(target, kept)
    sync(target.parent)
    _settle(target)
    return lost, str(kept)


def _keep(file: Path, name: Path) -> None:
    """The same bytes under another name, whole or not at all. No second name of the one file: a
    ledger with two names is refused, and a kill in between would leave it so."""
    partial = name.with_name(name.name + PARTIAL)
    shutil.copyfile(file, partial)
    sync(partial)
    os.replace(partial, name)
