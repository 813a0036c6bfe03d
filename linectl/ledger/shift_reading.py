"""A shift as the ledger recorded it: read by a connection of its own while a controller runs."""

from __future__ import annotations

import json
import os
import sqlite3
from dataclasses import dataclass
from pathlib import Path
from typing import NamedTuple

from linectl.errors import LedgerUnreachable
from linectl.image import Event
from linectl.ledger.by_time import EVENTS, MOVES, first_at
from linectl.ledger.checkpoint import ARCHIVE
from linectl.ledger.looking import looking
from linectl.ledger.places import UNKNOWN

DAY_MS = 86_400_000
LEAD_MS = 7 * DAY_MS
"""How far back it is looked for what was still going on when the shift began: alarms, waits."""
OPEN_MS = DAY_MS
"""How far back for moves that were intended before the shift and done in it."""

TOLD = (
    "unit", "alarm_on", "alarm_off", "alarm_state", "wait_on", "wait_off", "trip", "bypass",
    "force", "override", "blend", "gutter_weight",
)  # fmt: skip
"""Kinds of events that a shift is told from."""
UNITS = ("sowing", "harvest")


class BootRow(NamedTuple):
    """A controller's life. to_ms: when it ended, or its last record if it did not say."""

    id: int
    from_ms: int
    to_ms: int
    in_order: bool
    """It ended as it was told to, or runs still."""
    running: bool
    wall_ms: int
    """What the wall clock said when it began; `from_ms` is ledger time."""


class MoveRow(NamedTuple):
    """A move with its crop as the ledger knows the gutter now; done_ms None: not seen done."""

    number: int
    kind: str
    gutter: int
    crop: str
    source: str
    dest: str
    intended_ms: int
    done_ms: int | None


class Standing(NamedTuple):
    """A slot that holds a gutter. gutter -1: nobody has named it. Times Unix ms."""

    lane: int
    run: str
    slot: int
    gutter: int
    crop: str
    sown_ms: int | None


class CropDays(NamedTuple):
    """A crop's days from sowing to harvest, and the age from which it may be ejected; ms."""

    days_ms: int
    ripe_after_ms: int


@dataclass(frozen=True)
class ShiftRecord:
    """What the ledger has of from ≤ time < to, and what led up to it. All times Unix ms."""

    from_ms: int
    to_ms: int
    boots: tuple[BootRow, ...]
    """Those that have anything of the stretch, in order."""
    events: tuple[tuple[int, Event], ...]
    """(boot, event), from the lead-in on: up to a week before, of the boot that was up then."""
    moves: tuple[MoveRow, ...]
    """In order of their intents, from a day before on."""
    sown: tuple[tuple[int, str, int], ...]
    """(gutter, crop, when) of those that got their crop in the stretch."""
    slots: tuple[Standing, ...]
    """What stands in the runs now, not then."""
    crops: dict[str, CropDays]
    first_ms: int
    """Where the ledger begins."""
    last_ms: int
    """Its last record, or now if a controller writes it."""
    archived: tuple[int, str] | None
    """What is older than that has been moved to that archive, the last of several."""


def read_shift(path: str, site: str, from_ms: int, to_ms: int, now_ms: int) -> ShiftRecord:
    """Read it. `now_ms`: the wall clock, Unix ms, for a controller that runs.

    Raises LedgerUnreachable: no such file, not a ledger, another site's, or nothing in it yet.
    """
    with looking(path) as connection:
        return _Reader(path, connection, site, now_ms).shift(from_ms, to_ms)


class _Reader:
    """Questions to one state of the ledger."""

    def __init__(self, path: str, connection: sqlite3.Connection, site: str, now_ms: int) -> None:
        self._path = path
        self._connection = connection
        self._run = connection.execute
        known = self._run("SELECT value FROM meta WHERE key = 'site'").fetchone()
        if known is not None and known[0] != site:
            raise LedgerUnreachable(f"ledger {path}: it belongs to site {known[0]}, not to {site}")
        self._now_ms = now_ms

    def shift(self, from_ms: int, to_ms: int) -> ShiftRecord:
        boots = self._boots(from_ms)
        last_ms = boots[-1].to_ms
        lead_ms = from_ms - LEAD_MS
        before = [boot for boot in boots if boot.from_ms < from_ms]
        if before and before[-1].to_ms > from_ms:
            lead_ms = max(lead_ms, before[-1].from_ms)
        else:
            lead_ms = from_ms  # nothing ran when the shift began
        slots = self._run(
            "SELECT lane, run, slot, gutter, crop, sown_ms FROM slots ORDER BY lane, run, slot"
        )
        return ShiftRecord(
            from_ms=from_ms,
            to_ms=to_ms,
            boots=tuple(b for b in boots if b.from_ms < to_ms and b.to_ms > from_ms),
            events=self._events(lead_ms, from_ms, to_ms),
            moves=self._moves(from_ms, to_ms),
            sown=self._sown(from_ms, to_ms),
            slots=tuple(
                Standing(lane, run, slot, max(gutter, UNKNOWN), crop, sown_ms)
                for lane, run, slot, gutter, crop, sown_ms in slots
            ),
            crops={
                name: CropDays(days, ripe)
                for name, days, ripe in self._run("SELECT name, days_ms, ripe_after_ms FROM crops")
            },
            first_ms=self._run("SELECT min(started_ms) FROM boots").fetchone()[0],
            last_ms=last_ms,
            archived=self._run(
                "SELECT at_ms, archive FROM checkpoint WHERE why = ? ORDER BY id DESC LIMIT 1",
                (ARCHIVE,),
            ).fetchone(),
        )

    def _boots(self, from_ms: int) -> list[BootRow]:
        """From the one that was the last before `from_ms` on."""
        rows = self._run(
            "SELECT id, started_ms, ended_ms, wall_ms FROM boots ORDER BY id"
        ).fetchall()
        if not rows:
            raise LedgerUnreachable(f"ledger {self._path}: no controller has written to it yet")
        found = []
        for place, (boot, started_ms, ended_ms, wall_ms) in enumerate(rows):
            last = place == len(rows) - 1
            running = last and ended_ms is None and _is_held(self._path)
            limit = None if last else rows[place + 1][1]
            if limit is not None and limit <= from_ms:
                continue
            heard = max(started_ms, self._last_record(boot, limit), ended_ms or 0)
            to_ms = max(heard, self._now_ms) if running else heard
            in_order = running or ended_ms is not None
            found.append(BootRow(boot, started_ms, to_ms, in_order, running, wall_ms))
        return found

    def _last_record(self, boot: int, before_ms: int | None) -> int:
        """The last event or move of a boot, Unix ms; 0 if there is none."""
        event, move = self._event_from(before_ms), self._move_from(before_ms)
        (at_ms,) = self._run(
            "SELECT coalesce(max(at_ms), 0) FROM (SELECT at_ms FROM events"
            " WHERE id < ? AND boot = ? ORDER BY id DESC LIMIT 1)",
            (event, boot),
        ).fetchone()
        (done_ms,) = self._run(
            "SELECT coalesce(max(coalesce(done_ms, intended_ms)), 0) FROM (SELECT done_ms,"
            " intended_ms FROM moves_told WHERE number < ? AND boot = ?"
            " ORDER BY number DESC LIMIT 50)",
            (move, boot),
        ).fetchone()
        return max(int(at_ms), int(done_ms))

    def _events(self, lead_ms: int, from_ms: int, to_ms: int) -> tuple[tuple[int, Event], ...]:
        first, stop = self._event_from(lead_ms), self._event_from(to_ms)
        rows = self._run(
            "SELECT boot, at_ms, kind, source, text, data FROM events WHERE id >= ? AND id < ?"
            f" AND kind IN ({', '.join('?' * len(TOLD))}) ORDER BY id",
            (first, stop, *TOLD),
        ).fetchall()
        told = {row[3] for row in rows if row[2] == "unit" and row[1] < from_ms}
        if lead_ms < from_ms:  # a unit's state may be older than what is looked back
            for unit in UNITS:
                if unit not in told:
                    rows = self._state_before(first, unit) + rows
        return tuple(
            (boot, Event(at_ms, kind, source, text, json.loads(data)))
            for boot, at_ms, kind, source, text, data in rows
        )

    def _state_before(self, event: int, unit: str) -> list[tuple[object, ...]]:
        return self._run(
            "SELECT boot, at_ms, kind, source, text, data FROM events WHERE id < ? AND kind ="
            " 'unit' AND source = ? AND boot = (SELECT boot FROM events WHERE id >= ? ORDER BY id"
            " LIMIT 1) ORDER BY id DESC LIMIT 1",
            (event, unit, event),
        ).fetchall()

    def _moves(self, from_ms: int, to_ms: int) -> tuple[MoveRow, ...]:
        rows = self._run(
            "SELECT m.number, m.kind, m.gutter, coalesce(g.crop, ''), m.source, m.dest,"
            " m.intended_ms, m.done_ms FROM moves_told m LEFT JOIN gutters g ON g.id = m.gutter"
            " WHERE m.number >= ? AND m.number < ? ORDER BY m.number",
            (self._move_from(from_ms - OPEN_MS), self._move_from(to_ms)),
        )
        return tuple(MoveRow(*row) for row in rows)

    def _sown(self, from_ms: int, to_ms: int) -> tuple[tuple[int, str, int], ...]:
        return tuple(
            self._run(
                "SELECT id, crop, sown_ms FROM gutters WHERE sown_ms >= ? AND sown_ms < ?"
                " AND id IN (SELECT gutter FROM moves WHERE number >= ? AND number < ?)"
                " AND id > 0 ORDER BY sown_ms, id",
                (from_ms, to_ms, self._move_from(from_ms - OPEN_MS), self._move_from(to_ms)),
            )
        )

    def _event_from(self, at_ms: int | None) -> int:
        return first_at(self._connection, EVENTS, at_ms)

    def _move_from(self, at_ms: int | None) -> int:
        return first_at(self._connection, MOVES, at_ms)


def _is_held(ledger: str) -> bool:
    """Whether a controller holds the ledger.

    Asked of the kernel, which lists every lock (proc(5)): trying the lock, if only for a moment,
    could turn a starting controller away. The file is known by its inode; the device's number is
    not compared, some file systems show another one there.
    """
    try:
        inode = os.stat(os.path.realpath(ledger) + "-owner").st_ino
        locks = Path("/proc/locks").read_text(encoding="ascii").splitlines()
    except OSError:
        return False
    fields = [line.split() for line in locks if "->" not in line]
    return any(row[1] == "FLOCK" and row[5].rpartition(":")[2] == str(inode) for row in fields)
