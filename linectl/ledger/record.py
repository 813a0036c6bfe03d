"""The ledger: what must survive a power cut, and what stands where after it."""

from __future__ import annotations

import os
import sqlite3
from collections.abc import Callable, Iterable, Iterator, Sequence
from contextlib import contextmanager
from typing import IO

from linectl.errors import LedgerBroken, LedgerUnreachable
from linectl.image import Event, Move, Slot, Start
from linectl.ledger.boot import begin, recorded_ms
from linectl.ledger.checkpoint import Standing, keep_start
from linectl.ledger.clock import Clock, system_clock
from linectl.ledger.opening import MEMORY, connect, explain, files_of, take_ownership
from linectl.ledger.places import UNKNOWN
from linectl.ledger.posting import Posting
from linectl.ledger.restart import Restart
from linectl.ledger.trips import TripRow, keep
from linectl.site.model import Site


class Ledger(Restart):
    """One site's ledger. Use from one thread at a time; see LedgerWriter for a live line.

    Raises LedgerUnreachable when the file cannot be read or written and LedgerBroken when
    the record contradicts itself or the site (a place that the site does not have).
    """

    def __init__(
        self,
        path: str,
        connection: sqlite3.Connection,
        owner: IO[str] | None,
        site: Site,
        clock: Clock,
    ) -> None:
        boot, started_ms, self.clock_finding = begin(path, connection, site, clock)
        super().__init__(path, connection, boot, started_ms)
        self.clock = clock
        self._uptime_ms = clock.uptime()
        self._owner = owner
        self._points = site.points
        self._crops = site.crops.crops
        self._posting = Posting(path, connection, site, boot, started_ms)
        self._words = 0
        self._real = path if path == MEMORY else os.path.realpath(path)
        self._files = files_of(self._real)

    @classmethod
    def open(cls, path: str, site: Site, clock: Clock | Callable[[], int] | None = None) -> Ledger:
        """Open or create the ledger at `path` (`:memory:` for none on disk); begins a boot.

        clock: this computer's if left out; a function alone is a wall clock after a power cut.
        `clock_finding` says afterwards what is wrong with it.
        """
        clock = clock or system_clock()
        owner = take_ownership(path, site.folder)
        connection = None
        try:
            connection = connect(path)
            known = clock if isinstance(clock, Clock) else Clock(clock)
            return cls(path, connection, owner, site, known)
        except BaseException:
            if connection is not None:
                connection.close()
            if owner is not None:
                owner.close()
            raise

    def record(self, moves: Sequence[Move], events: Sequence[Event]) -> None:
        """All of `moves` and `events`, or on an error none of them, in one transaction."""
        if not moves and not events:
            return
        posting = self._posting
        try:
            with self._transaction():
                posting.post(moves, events)
        except BaseException:
            posting.forget()
            raise
        posting.keep()
        self._words += len(moves)

    @contextmanager
    def _transaction(self) -> Iterator[sqlite3.Connection]:
        """All or nothing, on disk when it ends. Raises LedgerUnreachable."""
        connection = self._connection
        if files_of(self._real) != self._files:
            raise LedgerUnreachable(
                f"ledger {self.path}: its file or its log ({self.path}-wal) was moved, removed or"
                " replaced under the controller; put it back, or stop the controller. What"
                " was on record before is in the file that was there."
            )
        try:
            connection.execute("BEGIN IMMEDIATE")
            yield connection
            connection.execute("COMMIT")
        except BaseException as error:
            if connection.in_transaction:
                connection.execute("ROLLBACK")
            if isinstance(error, sqlite3.Error):
                if getattr(error, "sqlite_errorcode", 0) & 0xFF == sqlite3.SQLITE_CORRUPT:
                    # What was read wrongly once is not believed for ever: read it from the disk.
                    connection.execute("PRAGMA shrink_memory")
                raise explain(self.path, error) from error
            raise

    def start(self) -> Start:
        """What the record says, for a line that begins now: before the first `record`."""
        return self.read_start(self._crops)

    def keep_trip(self, row: TripRow) -> None:
        """Keep a trip's record, or what has altered of it, in a transaction of its own."""
        keep(self.path, self._connection, self.boot, self.started_ms, self._points, row)

    def seed_lanes(self, slots: Iterable[Slot]) -> None:
        """A first start: these gutters stand in the lanes already, by a person's word.

        Raises LedgerBroken when the ledger has gutters in its lanes: it is no first start.
        """
        if self._in_lanes():
            raise LedgerBroken(
                f"ledger {self.path}: gutters stand in its lanes already, so it was used before;"
                " name a new file. Nothing was altered."
            )
        rows: list[tuple[int, str, int, int, int, int, int | None]] = []
        unknown = self._one("SELECT coalesce(min(id), 0) FROM gutters WHERE id < 0")
        for slot in slots:
            gutter = slot.gutter
            if gutter == UNKNOWN:
                unknown -= 1
                gutter = unknown
            times = (self.started_ms + slot.sown_at, self.started_ms + slot.ripe_at)
            place, seat = self._posting.seat(slot.place)
            lane = self._posting.lane(slot.place)
            rows.append((gutter, slot.crop, *times, place, seat, lane))
        with self._transaction() as connection:
            connection.executemany(
                "INSERT INTO gutters (id, crop, sown_ms, ripe_ms, place, seat, lane)"
                " VALUES (?, ?, ?, ?, ?, ?, ?)",
                rows,
            )
            connection.execute("UPDATE boots SET in_lanes = ? WHERE id = ?", (len(rows), self.boot))
            standing = [Standing(max(row[0], UNKNOWN), *row[4:6]) for row in rows]
            keep_start(connection, standing, self.started_ms)

    def close(self) -> None:
        """End the boot in order and let the file go. A second call does nothing."""
        try:
            # A rehearsal's rows are of hours that have not passed yet.
            ended_ms = max(self.now_ms(), recorded_ms(self._connection))
            self._connection.execute(
                "UPDATE boots SET ended_ms = ? WHERE id = ?", (ended_ms, self.boot)
            )
        except sqlite3.ProgrammingError:
            return  # closed before
        except sqlite3.Error as error:
            raise explain(self.path, error) from error
        finally:
            self._connection.close()
            if self._owner is not None:
                self._owner.close()

    def now_ms(self) -> int:
        """Ledger time: the boot's start, and what the kernel's clock says has passed since."""
        return self.started_ms + self.clock.uptime() - self._uptime_ms

    def durable(self) -> int:
        """Words of this boot on disk: how many moves, intended or done, were told and kept."""
        return self._words
