"""Posting: what moves and lots alter in the tables, row by row within one open transaction."""

from __future__ import annotations

import json
import sqlite3
import time
from collections.abc import Mapping, Sequence
from typing import Any, NamedTuple

from linectl.errors import LedgerBroken
from linectl.image import Event, Move
from linectl.ledger import lots as lot_rows
from linectl.ledger import schema
from linectl.ledger.places import UNKNOWN, split_slot
from linectl.site.model import Site

LEFT_OUT = frozenset({"station"})
"""Kinds of events that are not kept: moves and trips tell the same."""


class _Place(NamedTuple):
    """A row of `places` but for its strokes."""

    id: int
    kind: str
    lane: int | None
    slots: int


class Posting:
    """Posts in order what was told. After a roll-back, `forget`; after a commit, `keep`.

    Strokes and lots in use are held in memory, so that a move costs no look-up.
    """

    def __init__(
        self, path: str, connection: sqlite3.Connection, site: Site, boot: int, started_ms: int
    ) -> None:
        self._path = path
        self._connection = connection
        self._boot = boot
        self._started_ms = started_ms
        self._ripe_after = {name: crop.ripe_after_ms for name, crop in site.crops.crops.items()}
        named = {str(station.kind): name for name, station in site.file.stations.items()}
        self._fill, self._water, self._seed = (named.get(k) for k in ("fill", "water", "seed"))
        self._places: dict[str, _Place] = {}
        self._strokes: dict[int, int] = {}
        rows = connection.execute("SELECT name, id, kind, lane, slots, strokes FROM places")
        for name, identity, kind, lane, slots, strokes in rows:
            self._places[name] = _Place(identity, kind, lane, slots)
            self._strokes[identity] = strokes
        self._in_use: dict[tuple[str, str], int] = {
            (kind, crop): lot
            for kind, crop, lot in connection.execute("SELECT kind, crop, lot FROM in_use")
        }
        self.keep()

    def keep(self) -> None:
        """What was posted is committed."""
        self._kept = dict(self._strokes), dict(self._in_use)

    def forget(self) -> None:
        """What was posted has been rolled back."""
        strokes, in_use = self._kept
        self._strokes, self._in_use = dict(strokes), dict(in_use)

    def post(self, moves: Sequence[Move], events: Sequence[Event]) -> None:
        """Write the rows in order of time; at the same time a lot is loaded before a move.

        Raises sqlite3.Error, and LedgerBroken for a place or kind that nobody knows here.
        """
        lots = [event for event in events if event.kind == "lot"]
        for move in moves:
            while lots and lots[0].at <= move.at:
                self._load(lots.pop(0))
            if move.done:
                self._done(move)
            else:
                self._intend(move)
        for event in lots:
            self._load(event)
        for event in events:
            if event.kind == "weight":
                self._weigh(event)
            elif event.kind == "gutter_weight":
                lot_rows.weigh_gutter(self._connection, event.data, self._started_ms + event.at)
        rows = [
            (
                self._boot, self._started_ms + event.at, event.kind, event.source, event.text,
                json.dumps(event.data, default=str),
            )
            for event in events if event.kind not in LEFT_OUT
        ]  # fmt: skip
        if rows:
            self._connection.executemany(schema.EVENT, rows)

    def seat(self, name: str) -> tuple[int, int]:
        """A place by name as (place, seat): the seat of a slot as the run stands now."""
        place, slot = self._find(name)
        return place.id, self._strokes[place.id] - slot if place.kind == "run" else 0

    def lane(self, name: str) -> int | None:
        """The lane that a place or slot is in."""
        return self._find(name)[0].lane

    def _find(self, name: str) -> tuple[_Place, int]:
        run, slot = split_slot(name)
        place = self._places.get(run)
        if place is None or slot >= place.slots:
            raise LedgerBroken(f"ledger {self._path}: a move names place {name!r}, unknown here")
        return place, slot

    # moves -------------------------------------------------------------------------------------

    def _intend(self, move: Move) -> None:
        kind = schema.KINDS.get(move.kind)
        if kind is None:
            raise LedgerBroken(f"ledger {self._path}: a move of kind {move.kind!r}, unknown here")
        source, source_slot = self._find(move.source)
        dest, dest_slot = self._find(move.dest)
        at_ms = self._started_ms + move.at
        self._connection.execute(
            schema.INTEND,
            (move.number, self._boot, kind, move.gutter, source.id, source_slot, dest.id,
             dest_slot, at_ms),
        )  # fmt: skip
        if move.kind == "process" and move.source == self._water:
            self._stamp(move.gutter, {"wet_ms": at_ms})  # from now on the valve may open

    def _done(self, move: Move) -> None:
        dest, dest_slot = self._find(move.dest)
        at_ms = self._started_ms + move.at
        told = (move.gutter, dest.id, dest_slot, at_ms, move.number)
        if not self._connection.execute(schema.DONE, told).rowcount:
            raise LedgerBroken(
                f"ledger {self._path}: move {move.number} is told as done and was not under way"
            )
        if move.kind in ("reserve", "release"):
            if move.crop and move.kind == "reserve":
                self._stamp(move.gutter, {"crop": move.crop})  # today's list counts by it
            return
        if move.kind == "stroke":
            run = self._find(move.source)[0].id
            self._strokes[run] += 1
            self._connection.execute(schema.STROKES, (self._strokes[run], run))
            return
        if move.gutter == UNKNOWN:
            self._stand_unknown(move)
            return
        if move.kind == "process":  # it may still be being drawn in: the convey says where it is
            self._stamp(move.gutter, self._processed(move, at_ms))
            return
        seat = self.seat(move.dest)
        self._connection.execute(schema.STAND, (move.gutter, move.crop, *seat))
        self._stamp(move.gutter, self._stamps(move, at_ms))

    def _stand_unknown(self, move: Move) -> None:
        """An unnamed gutter goes by its place; from outside, or where none stood, one was found."""
        seats = (*self.seat(move.dest), *self.seat(move.source))
        inside = self._find(move.source)[0].kind != "end"
        if not inside or not self._connection.execute(schema.STAND_UNKNOWN, seats).rowcount:
            self._connection.execute(schema.NEW_UNKNOWN, self.seat(move.dest))

    def _stamps(self, move: Move, at_ms: int) -> dict[str, object]:
        """What a done move says of its gutter, by column."""
        kind = move.kind
        if kind == "feed":
            return {"fed_ms": at_ms}
        if kind == "insert":
            return {"indexed_ms": at_ms, "lane": self.lane(move.dest), "crop": move.crop}
        if kind == "eject":
            return {"ejected_ms": at_ms}
        if kind == "handover":
            return {"handed_ms": at_ms, "packing_lot": self._loaded("packing", move.crop)}
        if kind == "correct" and (lane := self.lane(move.dest)) is not None:
            return {"lane": lane}
        return {}

    def _processed(self, move: Move, at_ms: int) -> dict[str, object]:
        if move.source == self._fill:
            return {"substrate_lot": self._loaded("substrate", move.crop)}
        if move.source == self._water:
            return {"wet_ms": at_ms}  # where its intent could not say so
        if move.source != self._seed or not move.crop:
            return {}
        return {
            "crop": move.crop,
            "sown_ms": at_ms,
            "ripe_ms": at_ms + self._ripe_after.get(move.crop, 0),
            "lot": self._sowing_lot(move.crop, at_ms),
            "seed_lot": self._loaded("seed", move.crop),
        }

    def _stamp(self, gutter: int, stamps: Mapping[str, object]) -> None:
        """A stamp stays as it was first set; only lane and crop may alter."""
        columns = [
            f"{name} = ?" if name in ("lane", "crop") else f"{name} = coalesce({name}, ?)"
            for name in stamps
        ]
        if columns:
            sql = f"UPDATE gutters SET {', '.join(columns)} WHERE id = ?"
            self._connection.execute(sql, (*stamps.values(), gutter))

    # lots --------------------------------------------------------------------------------------

    def _loaded(self, kind: str, crop: str) -> int | None:
        """The lot in use: that of the crop, else the one for all crops; None: nobody said."""
        return self._in_use.get((kind, crop), self._in_use.get((kind, "")))

    def _sowing_lot(self, crop: str, sown_ms: int) -> int:
        day = time.strftime("%Y-%m-%d", time.gmtime(sown_ms // 1000))
        return self._lot("sowing", f"{day}-{crop}", crop, sown_ms, "")

    def _lot(self, kind: str, name: str, crop: str, at_ms: int, by: str) -> int:
        run = self._connection.execute
        known = run("SELECT id FROM lots WHERE kind = ? AND name = ?", (kind, name)).fetchone()
        if known is None:
            known = run(schema.LOT, (kind, name, crop or None, at_ms, by)).fetchone()
        lot: int = known[0]
        return lot

    def _load(self, event: Event) -> None:
        """A person has told which lot is loaded now. Data: kind, lot, crop, by."""
        data: Mapping[str, Any] = event.data
        kind, crop, by = data["kind"], data.get("crop") or "", data.get("by") or ""
        at_ms = self._started_ms + event.at
        if not data["lot"]:  # nobody knows what is loaded now
            lot_rows.unload(self._connection, kind, crop)
            self._in_use.pop((kind, crop), None)
            return
        lot = self._lot(kind, data["lot"], crop, at_ms, by)
        self._connection.execute(schema.USE, (kind, crop, lot, at_ms, by))
        self._in_use[(kind, crop)] = lot

    def _weigh(self, event: Event) -> None:
        """A person has weighed a packing lot. Data: lot, crop, kg, by."""
        at_ms = self._started_ms + event.at
        lot = self._lot("packing", event.data["lot"], "", at_ms, event.data.get("by") or "")
        lot_rows.weigh(self._connection, lot, event.data, at_ms)
