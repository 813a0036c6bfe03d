"""A ledger of as many moves as wanted, as a line of six full lanes makes them, written in bulk.

Every window of a takt one gutter goes in, one out; moves overlap as on the line, so that they are
not done in the order of their numbers. Now and then the controller starts anew, and a move that it
had intended is never done. The tables, the boots and the first start are the ledger's own.
"""

from __future__ import annotations

import sqlite3
from collections import deque
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path

from linectl.image import Slot
from linectl.ledger import Ledger
from linectl.ledger.schema import KINDS
from linectl.site.load import load_site
from linectl.site.model import Site

ROOT = Path(__file__).parents[2]
TAKT_MS = 60_000
DAY_MS = 86_400_000
START_MS = 1_700_000_000_000
BOOT_EVERY = 20_000
"""Windows between two starts of the controller."""
EVENTS_A_WINDOW = 3
CHUNK = 2_000
"""Windows written in one transaction."""
WAY = ("magazine", "fill", "tamp", "water", "seed", "turn", "infeed")
MOVES_A_GUTTER = 19

Row = tuple[int, int, int, int, int, int, int, int, int, int | None]


@dataclass
class Life:
    """A gutter's row, as its moves fill it."""

    id: int
    lane: int
    fed: int | None = None
    wet: int | None = None
    sown: int | None = None
    indexed: int | None = None
    ejected: int | None = None
    handed: int | None = None
    place: int = 0
    seat: int = 0


@dataclass
class Written:
    """What a history came to."""

    path: Path
    moves: int = 0
    gutters: int = 0
    boots: int = 1
    until_ms: int = START_MS


@dataclass
class _Lane:
    id: int
    germ: int
    grow: int
    germ_slots: int
    grow_slots: int
    row: deque[int] = field(default_factory=deque)
    """Ids from mouth to tail, germ and grow together; a lane stands full but for its hole."""


class History:
    """Writes a long history into a new ledger's file."""

    def __init__(self, path: Path, site: Site | None = None) -> None:
        self.site = site or load_site(ROOT / "config" / "fennmark")
        self.written = Written(path)
        self.crop = self.site.file.sowing.crop
        self.ripe_ms = self.site.crops.crops[self.crop].ripe_after_ms
        self.number = 0
        self.boot = 1
        self._first_start(path)
        self.db = sqlite3.connect(path, isolation_level=None)
        self.db.execute("PRAGMA synchronous = OFF")
        self.db.execute("PRAGMA cache_size = -200000")
        self.places = dict(self.db.execute("SELECT name, id FROM places"))
        self.strokes = dict.fromkeys(self.places.values(), 0)
        self.way = [self.places[name] for name in WAY]
        self.lanes = [
            _Lane(lane.id, *(self.places[f"{lane.prefix}.{run.name}"] for run in lane.runs),
                  *(run.slots for run in lane.runs))
            for lane in self.site.file.lanes
        ]  # fmt: skip
        self.lives: dict[int, Life] = {}
        for lane, ids in zip(self.lanes, self._ids(), strict=True):
            lane.row.extend(ids)
            self.lives |= {gutter: Life(gutter, lane.id) for gutter in ids}
        self.next_gutter = 1 + max(self.lives)
        self.first_fed = self.next_gutter
        self.fed_in: dict[int, int] = {}
        """Window → gutter fed in it."""
        self.finished: list[Life] = []
        self.finished_next = 0
        """The gutter on the outfeed carriage, handed over in the next window."""
        self._lots: dict[tuple[str, int], int] = {}

    def write(self, moves: int) -> Written:
        """As many moves, to a whole window, and the tables as they are then."""
        window = 0
        while self.number < moves:
            rows: list[Row] = []
            for _ in range(CHUNK):
                if window and window % BOOT_EVERY == 0:
                    rows.extend(self._new_boot(window))
                rows.extend(self._window(window))
                window += 1
                if self.number >= moves:
                    break
            self._store(rows, window)
        self._close(window)
        return self.written

    # the first start ----------------------------------------------------------------------------

    def _ids(self) -> list[range]:
        slots = [sum(run.slots for run in lane.runs) for lane in self.site.file.lanes]
        ends = [sum(slots[: n + 1]) for n in range(len(slots))]
        # The eldest stand at the tails: a lane's ids fall from mouth to tail.
        return [range(end, end - count, -1) for end, count in zip(ends, slots, strict=True)]

    def _first_start(self, path: Path) -> None:
        ledger = Ledger.open(str(path), self.site, lambda: START_MS)
        standing = []
        for lane, ids in zip(self.site.file.lanes, self._ids(), strict=True):
            names = [f"{lane.prefix}.{run.name}.{n}" for run in lane.runs for n in range(run.slots)]
            standing += [
                Slot(name, gutter, self.crop, -DAY_MS, 0)
                for name, gutter in zip(names, ids, strict=True)
            ]
        ledger.seed_lanes(standing)
        ledger.close()

    # one window ---------------------------------------------------------------------------------

    def _window(self, window: int) -> Iterator[Row]:
        rows = [*self._sown(window), *self._harvested(window)]
        rows.sort()
        start = START_MS + 1000 + window * TAKT_MS
        for at, took, kind, gutter, source, source_slot, dest, dest_slot in rows:
            self.number += 1
            yield (self.number, self.boot, KINDS[kind], gutter, source, source_slot, dest,
                   dest_slot, start + at, took)  # fmt: skip

    def _sown(self, window: int) -> Iterator[tuple[int, int, str, int, int, int, int, int]]:
        way, start = self.way, START_MS + 1000 + window * TAKT_MS
        magazine, fill, tamp, water, seed, turn, infeed = way
        gutter = self.next_gutter
        self.next_gutter += 1
        self.fed_in[window] = gutter
        self.lives[gutter] = Life(gutter, 0, fed=start + 42_000)
        stock = self.places["stock"]
        yield 8000, 34_000, "feed", gutter, stock, 0, magazine, 0
        if gutter := self.fed_in.get(window - 1, 0):
            yield 7000, 33_000, "convey", gutter, magazine, 0, fill, 0
            yield 12_000, 25_000, "process", gutter, fill, 0, fill, 0
        if gutter := self.fed_in.get(window - 2, 0):
            lane = self._lane_of(window - 2)
            yield 5500, 0, "reserve", gutter, fill, 0, lane.germ, 0
            yield 6000, 32_000, "convey", gutter, fill, 0, tamp, 0
            yield 40_000, 22_000, "process", gutter, tamp, 0, tamp, 0  # into the next window
        if gutter := self.fed_in.get(window - 3, 0):
            yield 5000, 31_000, "convey", gutter, tamp, 0, water, 0
            yield 11_000, 22_000, "process", gutter, water, 0, water, 0
            self.lives[gutter].wet = start + 11_000
        if gutter := self.fed_in.get(window - 4, 0):
            yield 4000, 30_000, "convey", gutter, water, 0, seed, 0
            yield 10_000, 20_000, "process", gutter, seed, 0, seed, 0
            self.lives[gutter].sown = start + 30_000
        if gutter := self.fed_in.get(window - 5, 0):
            yield 3000, 15_000, "convey", gutter, seed, 0, turn, 0
            yield 22_000, 10_000, "pick", gutter, turn, 0, infeed, 0
        if gutter := self.fed_in.pop(window - 6, 0):
            lane = self._lane_of(window - 6)
            yield 0, 20_000, "insert", gutter, infeed, 0, lane.germ, 0
            life = self.lives[gutter]
            life.indexed, life.lane = start + 20_000, lane.id
            lane.row.appendleft(gutter)

    def _lane_of(self, fed: int) -> _Lane:
        """The lane that a gutter fed in that window goes to: the one harvested a window later."""
        return self.lanes[fed % len(self.lanes)]

    def _harvested(self, window: int) -> Iterator[tuple[int, int, str, int, int, int, int, int]]:
        start = START_MS + 1000 + window * TAKT_MS
        outfeed, turnout, packing = (self.places[n] for n in ("outfeed", "turnout", "packing"))
        if self.finished_next:
            gutter = self.finished_next
            yield 500, 8000, "put", gutter, outfeed, 0, turnout, 0
            yield 20_000, 10_000, "handover", gutter, turnout, 0, packing, 0
            life = self.lives.pop(gutter)
            life.handed, life.place = start + 30_000, packing
            self.finished.append(life)
            self.finished_next = 0
        if not window:
            return
        lane = self._lane_of(window - 1)
        gutter = lane.row.pop()
        yield 1000, 15_000, "eject", gutter, lane.grow, lane.grow_slots - 1, outfeed, 0
        yield 17_000, 6000, "stroke", -1, lane.grow, 0, lane.grow, 0
        moved = lane.row[lane.germ_slots - 1]
        yield 24_000, 12_000, "transfer", moved, lane.germ, lane.germ_slots - 1, lane.grow, 0
        yield 37_000, 6000, "stroke", -1, lane.germ, 0, lane.germ, 0
        self.strokes[lane.grow] += 1
        self.strokes[lane.germ] += 1
        self.lives[gutter].ejected = start + 16_000
        self.finished_next = gutter

    def _new_boot(self, window: int) -> Iterator[Row]:
        """The power goes in the first moment of a window: an insert is intended, never done."""
        start = START_MS + 1000 + window * TAKT_MS
        gutter = self.fed_in[window - 6]
        self.number += 1
        yield (self.number, self.boot, KINDS["insert"], gutter, self.way[-1], 0,
               self._lane_of(window - 6).germ, 0, start - 500, None)  # fmt: skip
        standing = sum(len(lane.row) for lane in self.lanes)
        (self.boot,) = self.db.execute(
            "INSERT INTO boots (started_ms, wall_ms, machine, uptime_ms, digest, version, in_lanes)"
            " SELECT ?, ?, machine, uptime_ms, digest, version, ? FROM boots WHERE id = 1"
            " RETURNING id",
            (start - 100, start - 100, standing),
        ).fetchone()
        self.written.boots += 1

    # storing ------------------------------------------------------------------------------------

    def _store(self, rows: list[Row], window: int) -> None:
        db = self.db
        db.execute("BEGIN")
        db.executemany("INSERT INTO moves VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?)", rows)
        notes = (
            (row[1], row[8], "note", "sowing", "the line says something", "{}")
            for row in rows[:: max(1, MOVES_A_GUTTER // EVENTS_A_WINDOW)]
        )
        db.executemany(
            "INSERT INTO events (boot, at_ms, kind, source, text, data) VALUES (?, ?, ?, ?, ?, ?)",
            notes,
        )
        self._store_lives(self.finished)
        self.finished.clear()
        db.execute("COMMIT")

    def _store_lives(self, lives: list[Life]) -> None:
        self.db.executemany(
            "INSERT INTO gutters (id, crop, place, seat, lot, substrate_lot, seed_lot, packing_lot,"
            " fed_ms, wet_ms, sown_ms, ripe_ms, indexed_ms, ejected_ms, handed_ms, lane)"
            " VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)"
            " ON CONFLICT (id) DO UPDATE SET place = excluded.place, seat = excluded.seat,"
            " ejected_ms = excluded.ejected_ms,"
            " handed_ms = excluded.handed_ms, packing_lot = excluded.packing_lot",
            [
                (
                    v.id, self.crop, v.place, v.seat, self._lot("sowing", v.sown, 1),
                    self._lot("substrate", v.fed, 7), self._lot("seed", v.sown, 7),
                    self._lot("packing", v.handed, 1), v.fed, v.wet, v.sown,
                    None if v.sown is None else v.sown + self.ripe_ms, v.indexed, v.ejected,
                    v.handed, v.lane or None,
                )
                for v in lives
            ],
        )  # fmt: skip

    def _lot(self, kind: str, at_ms: int | None, days: int) -> int | None:
        """One lot of that kind each so many days."""
        if at_ms is None:
            return None
        day = (at_ms - START_MS) // (DAY_MS * days)
        known = self._lots.get((kind, day))
        if known is None:
            crop = None if kind in ("packing", "substrate") else self.crop
            known = self._lots[kind, day] = self.db.execute(
                'INSERT INTO lots (kind, name, crop, opened_ms, "by") VALUES (?, ?, ?, ?, ?)'
                " RETURNING id",
                (kind, f"{kind}-{day:05d}", crop, at_ms, "the bench"),
            ).fetchone()[0]
        return known

    def _close(self, window: int) -> None:
        db = self.db
        db.execute("BEGIN")
        self._stand(window)
        self._store_lives(list(self.lives.values()))
        db.executemany("UPDATE places SET strokes = ? WHERE id = ?",
                       [(count, place) for place, count in self.strokes.items()])  # fmt: skip
        until = START_MS + (window + 2) * TAKT_MS
        db.execute("UPDATE boots SET ended_ms = ? WHERE id = ?", (until, self.boot))
        db.execute("COMMIT")
        db.execute("PRAGMA wal_checkpoint(TRUNCATE)")
        written = self.written
        written.moves, written.until_ms = self.number, until
        (written.gutters,) = db.execute("SELECT count(*) FROM gutters").fetchone()
        db.close()

    def _stand(self, window: int) -> None:
        """Where each gutter is at the end, and when what is still to be done in it will be."""
        for lane in self.lanes:
            slots = [(lane.germ, n) for n in range(lane.germ_slots)]
            slots += [(lane.grow, n) for n in range(lane.grow_slots)]
            # The hole of a lane that was harvested and not yet sown is at its mouth.
            first = len(slots) - len(lane.row)
            for gutter, (run, slot) in zip(lane.row, slots[first:], strict=True):
                life = self.lives[gutter]
                life.place, life.seat = run, self.strokes[run] - slot
        for fed, gutter in self.fed_in.items():
            # Fed in the last window: in the magazine. The five before: up to the infeed carriage.
            self.lives[gutter].place = self.way[_STAGES[window - 1 - fed]]
        if self.finished_next:
            self.lives[self.finished_next].place = self.places["outfeed"]


_STAGES = (0, 1, 2, 3, 4, 6)
"""Windows since it was fed → how far along WAY a gutter is when the window is over."""
