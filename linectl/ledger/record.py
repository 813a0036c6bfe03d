"""The ledger: what must survive a power cut, and what stands where after it."""

from __future__ import annotations

import json
import sqlite3
import time
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, field
from typing import IO

from linectl.errors import LedgerBroken
from linectl.image import Event, Move, Slot
from linectl.ledger import schema
from linectl.ledger.boot import begin
from linectl.ledger.opening import connect, explain, take_ownership
from linectl.ledger.places import UNKNOWN, split_slot
from linectl.ledger.reading import Reading
from linectl.ledger.trips import TripRow, keep
from linectl.site.model import Site


def wall_ms() -> int:
    """The wall clock, Unix milliseconds."""
    return time.time_ns() // 1_000_000


@dataclass(slots=True)
class _Batch:
    """One transaction's rows, worked out before the disk is touched."""

    intends: list[tuple[object, ...]] = field(default_factory=list)
    dones: list[tuple[object, ...]] = field(default_factory=list)
    stands: dict[int, tuple[int, str, int, int]] = field(default_factory=dict)
    unknowns: list[tuple[int, int, int, int]] = field(default_factory=list)
    sown: list[tuple[int, int, str]] = field(default_factory=list)
    """(gutter, wall ms, crop)"""
    strokes: dict[int, int] = field(default_factory=dict)
    number: int = 0


class Ledger(Reading):
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
        clock: Callable[[], int],
    ) -> None:
        started_ms = clock()
        boot = begin(path, connection, site, started_ms)
        super().__init__(path, connection, boot, started_ms)
        self._owner = owner
        self._clock = clock
        self._points = site.points
        self._ripe_after = {name: crop.ripe_after_ms for name, crop in site.crops.crops.items()}
        self._seed_station = site.station("seed")
        self._durable = self.next_move() - 1
        self._places: dict[str, int] = {}
        self._slots: dict[int, int] = {}
        self._strokes: dict[int, int] = {}
        for identity, name, slots, strokes in self._all(
            "SELECT id, name, slots, strokes FROM places"
        ):
            self._places[name] = identity
            self._slots[identity] = slots
            self._strokes[identity] = strokes
        self._lots: dict[str, int] = dict(self._all("SELECT name, id FROM lots"))

    @classmethod
    def open(cls, path: str, site: Site, clock: Callable[[], int] = wall_ms) -> Ledger:
        """Open or create the ledger at `path` (`:memory:` for none on disk); begins a boot."""
        owner = take_ownership(path)
        connection = None
        try:
            connection = connect(path)
            return cls(path, connection, owner, site, clock)
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
        batch = self._batch(moves)
        started = self.started_ms
        dumps = json.dumps
        rows = [
            (self.boot, started + at, kind, source, text, dumps(data, default=str))
            for at, kind, source, text, data in events
        ]
        lots = dict(self._lots)
        try:
            self._connection.execute("BEGIN IMMEDIATE")
            self._write(batch, rows)
            self._connection.execute("COMMIT")
        except sqlite3.Error as error:
            self._lots = lots
            if self._connection.in_transaction:
                self._connection.execute("ROLLBACK")
            raise explain(self.path, error) from error
        self._strokes.update(batch.strokes)
        self._durable = max(self._durable, batch.number)

    def keep_trip(self, row: TripRow) -> None:
        """Keep a trip's record, or what has altered of it, in a transaction of its own."""
        keep(self.path, self._connection, self.boot, self.started_ms, self._points, row)

    def _write(self, batch: _Batch, events: Sequence[tuple[object, ...]]) -> None:
        many = self._connection.executemany
        if batch.intends:
            many(schema.INTEND, batch.intends)
        if batch.dones:
            many(schema.DONE, batch.dones)
        if batch.stands:
            many(schema.STAND, batch.stands.values())
        if batch.unknowns:
            many(schema.STAND_UNKNOWN, batch.unknowns)
        if batch.sown:
            many(schema.SOWN, [self._sowing(*sown) for sown in batch.sown])
        if batch.strokes:
            many(schema.STROKES, [(count, place) for place, count in batch.strokes.items()])
        if events:
            many(schema.EVENT, events)

    def _batch(self, moves: Sequence[Move]) -> _Batch:
        batch = _Batch()
        for move in moves:
            row = (
                self.boot,
                move.number,
                move.kind,
                move.gutter,
                move.source,
                move.dest,
                move.crop,
                self.started_ms + move.at,
            )
            if move.done:
                batch.dones.append(row)
                self._place(batch, move)
            else:
                batch.intends.append(row)
            batch.number = max(batch.number, move.number)
        return batch

    def _place(self, batch: _Batch, move: Move) -> None:
        """What a done move alters: a row's stroke, or the place of one gutter."""
        if move.kind == "reserve":
            return
        if move.kind == "stroke":
            run, _ = self._seat(batch, move.source)
            batch.strokes[run] = batch.strokes.get(run, self._strokes[run]) + 1
            return
        place, seat = self._seat(batch, move.dest)
        if move.gutter == UNKNOWN:
            batch.unknowns.append((place, seat, *self._seat(batch, move.source)))
            return
        batch.stands[move.gutter] = (move.gutter, move.crop, place, seat)
        if move.crop and (move.source == self._seed_station or move.kind == "insert"):
            batch.sown.append((move.gutter, self.started_ms + move.at, move.crop))

    def _seat(self, batch: _Batch, name: str) -> tuple[int, int]:
        run, slot = split_slot(name)
        place = self._places.get(run)
        if place is None or slot >= self._slots[place]:
            raise LedgerBroken(f"ledger {self.path}: a move names place {name!r}, unknown here")
        if self._slots[place] == 1:
            return place, 0
        return place, batch.strokes.get(place, self._strokes[place]) - slot

    def _sowing(self, gutter: int, sown_ms: int, crop: str) -> tuple[int, int, int, int]:
        day = time.strftime("%Y-%m-%d", time.gmtime(sown_ms // 1000))
        name = f"{day}-{crop}"
        lot = self._lots.get(name)
        if lot is None:
            lot = self._connection.execute(
                "INSERT INTO lots (name, crop, opened_ms) VALUES (?, ?, ?) RETURNING id",
                (name, crop, sown_ms),
            ).fetchone()[0]
            self._lots[name] = lot
        return lot, sown_ms, sown_ms + self._ripe_after.get(crop, 0), gutter

    def seed_lanes(self, slots: Iterable[Slot]) -> None:
        """A first start: these gutters stand in the lanes already, by a person's word.

        Raises LedgerBroken when the ledger has gutters in its lanes: it is no first start.
        """
        if self._in_lanes():
            raise LedgerBroken(
                f"ledger {self.path}: gutters stand in its lanes already, so it was used before;"
                " name a new file. Nothing was altered."
            )
        rows: list[tuple[object, ...]] = []
        unknown = self._one("SELECT coalesce(min(id), 0) FROM gutters WHERE id < 0")
        for slot in slots:
            gutter = slot.gutter
            if gutter == UNKNOWN:
                unknown -= 1
                gutter = unknown
            times = (self.started_ms + slot.sown_at, self.started_ms + slot.ripe_at)
            rows.append((gutter, slot.crop, *times, *self._seat(_Batch(), slot.place)))
        try:
            self._connection.execute("BEGIN IMMEDIATE")
            self._connection.executemany(
                "INSERT INTO gutters (id, crop, sown_ms, ripe_ms, place, seat)"
                " VALUES (?, ?, ?, ?, ?, ?)",
                rows,
            )
            self._connection.execute(
                "UPDATE boots SET in_lanes = ? WHERE id = ?", (len(rows), self.boot)
            )
            self._connection.execute("COMMIT")
        except sqlite3.Error as error:
            if self._connection.in_transaction:
                self._connection.execute("ROLLBACK")
            raise explain(self.path, error) from error

    def close(self) -> None:
        """End the boot in order and let the file go. A second call does nothing."""
        try:
            self._connection.execute(
                "UPDATE boots SET ended_ms = ? WHERE id = ?", (self._clock(), self.boot)
            )
        except sqlite3.ProgrammingError:
            return  # closed before
        except sqlite3.Error as error:
            raise explain(self.path, error) from error
        finally:
            self._connection.close()
            if self._owner is not None:
                self._owner.close()

    def durable(self) -> int:
        """Every move up to this number is on disk; numbers go on from boot to boot."""
        return self._durable
