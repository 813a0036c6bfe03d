"""A ledger that is only looked at: opened beside a controller that may be writing it."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from linectl.errors import LedgerUnreachable
from linectl.ledger.opening import explain
from linectl.ledger.schema import APPLICATION_ID, READABLE, VERSION


@contextmanager
def looking(path: str, oldest: int = READABLE) -> Iterator[sqlite3.Connection]:
    """A connection that writes nothing, seeing one moment of the ledger throughout.

    After a power cut SQLite mends the file when it is opened, hence not strictly read-only. A
    controller may write meanwhile; its log (`PATH-wal`) grows until this ends. oldest: version of
    the tables that will do. Raises LedgerUnreachable: no such file, no ledger, another version.
    """
    if not Path(path).is_file():
        raise LedgerUnreachable(f"ledger {path}: there is no such file; name a ledger's file")
    connection: sqlite3.Connection | None = None
    try:
        connection = sqlite3.connect(f"{Path(path).absolute().as_uri()}?mode=rw", uri=True)
        connection.isolation_level = None
        connection.execute("PRAGMA query_only = ON")
        connection.execute("BEGIN")
        _refuse_other(path, connection, oldest)
        yield connection
    except sqlite3.Error as error:
        raise explain(path, error) from error
    finally:
        if connection is not None:
            connection.close()


def _refuse_other(path: str, connection: sqlite3.Connection, oldest: int) -> None:
    if connection.execute("PRAGMA application_id").fetchone()[0] != APPLICATION_ID:
        raise LedgerUnreachable(f"ledger {path}: it is no ledger of linectl; name another file")
    version = connection.execute("PRAGMA user_version").fetchone()[0]
    if version < oldest:
        raise LedgerUnreachable(
            f"ledger {path}: its tables are of version {version}, this linectl knows {VERSION};"
            " start the controller on it once (linectl run), which brings it forward"
        )
    if version > VERSION:
        raise LedgerUnreachable(
            f"ledger {path}: written by a newer linectl (tables version {version}, this one knows"
            f" {VERSION}); install the newer linectl. Nothing was written."
        )
