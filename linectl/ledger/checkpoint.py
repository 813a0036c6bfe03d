"""Checkpoints: the state before a move, where the moves that led to it are not in the ledger.

A first start over lanes that stand full, a ledger that came from version 1, the end of an archive:
each leaves gutters whose way here is not among the moves. What stood then is written down, so that
`ledger verify` replays from it and proves all that came after.
"""

from __future__ import annotations

import json
import sqlite3
from collections.abc import Iterable
from dataclasses import dataclass, field
from typing import NamedTuple

from linectl.ledger.places import UNKNOWN
from linectl.ledger.schema import KINDS

START, MIGRATED, ARCHIVE = "start", "migrated", "archive"

KEEP = """
INSERT INTO checkpoint (number, at_ms, why, last_gutter, gutters, archive, digest, state)
VALUES (:number, :at_ms, :why, :last_gutter,
        (SELECT count(*) FROM gutters WHERE id BETWEEN 1 AND :last_gutter),
        :archive, :digest, :state)
"""

LAST_MS = """
SELECT max(coalesce((SELECT max(intended_ms + coalesce(took_ms, 0)) FROM moves), 0),
           coalesce((SELECT max(max(started_ms, coalesce(ended_ms, 0))) FROM boots), 0))
"""


class Standing(NamedTuple):
    """One gutter in the machine: id or -1 for an unnamed one, place by id, seat."""

    gutter: int
    place: int
    seat: int


@dataclass(frozen=True)
class State:
    """What stood where before a move.

    reserved: (gutter, mouth's run), None where that is not known. under_way: moves numbered before
    it that were done after it, or may still be; their rows stay.
    """

    standing: tuple[Standing, ...] = ()
    strokes: dict[int, int] = field(default_factory=dict)
    reserved: tuple[tuple[int, int], ...] | None = ()
    under_way: frozenset[int] = frozenset()

    def as_text(self) -> str:
        """As kept in the table."""
        return json.dumps(
            {
                "standing": self.standing,
                "strokes": sorted(self.strokes.items()),
                "reserved": self.reserved,
                "under_way": sorted(self.under_way),
            },
            separators=(",", ":"),
        )

    @classmethod
    def from_text(cls, text: str) -> State:
        """Read back. Raises ValueError, KeyError or TypeError when it is no such text."""
        told = json.loads(text)
        reserved = told["reserved"]
        return cls(
            tuple(Standing(*(int(n) for n in row)) for row in told["standing"]),
            {int(place): int(count) for place, count in told["strokes"]},
            None if reserved is None else tuple((int(g), int(run)) for g, run in reserved),
            frozenset(int(number) for number in told["under_way"]),
        )


@dataclass(frozen=True)
class Checkpoint:
    """One row of the table."""

    id: int
    number: int
    at_ms: int
    why: str
    last_gutter: int
    gutters: int
    archive: str
    digest: str
    state: State


EMPTY = Checkpoint(0, 1, 0, START, 0, 0, "", "", State())
"""Where nothing is written: an empty machine before move 1."""


def read_checkpoints(connection: sqlite3.Connection) -> list[Checkpoint]:
    """All of them, in order. Raises sqlite3.Error; ValueError for one that cannot be read."""
    rows = connection.execute(
        "SELECT id, number, at_ms, why, last_gutter, gutters, archive, digest, state"
        " FROM checkpoint ORDER BY id"
    ).fetchall()
    try:
        return [
            Checkpoint(i, number, at_ms, why, last, count, file, digest, State.from_text(state))
            for i, number, at_ms, why, last, count, file, digest, state in rows
        ]
    except (TypeError, KeyError, ValueError) as error:
        raise ValueError(f"a state cannot be read ({error})") from error


def keep_start(connection: sqlite3.Connection, slots: Iterable[Standing], at_ms: int) -> None:
    """These gutters stood in the lanes at a first start, by a person's word. In a transaction."""
    standing = tuple(slots)
    last = max((s.gutter for s in standing), default=0)
    _keep(connection, START, at_ms, max(last, 0), State(standing))


def keep_migrated(connection: sqlite3.Connection) -> None:
    """All that stands in the tables now; the moves before are not replayed, since version 1 told
    them or runs had other numbers of slots. In a transaction."""
    at_ms = connection.execute(LAST_MS).fetchone()[0]
    strokes = dict(connection.execute("SELECT id, strokes FROM places WHERE kind = 'run'"))
    rows = connection.execute(
        "SELECT max(g.id, ?), g.place, g.seat FROM gutters g JOIN places p ON p.id = g.place"
        " WHERE p.kind != 'end' ORDER BY g.id",
        (UNKNOWN,),
    )
    standing = tuple(Standing(*row) for row in rows)
    last = connection.execute("SELECT coalesce(max(id), 0) FROM gutters").fetchone()[0]
    state = State(standing, strokes, None, open_moves(connection))
    _keep(connection, MIGRATED, at_ms, max(last, 0), state)


def open_moves(connection: sqlite3.Connection) -> frozenset[int]:
    """Moves of the last two boots that were never seen done: recovery may still decide them."""
    done_at_once = (KINDS["reserve"], KINDS["release"])
    rows = connection.execute(
        "SELECT number FROM moves WHERE took_ms IS NULL AND kind NOT IN (?, ?)"
        " AND boot >= (SELECT max(id) - 1 FROM boots)",
        done_at_once,
    )
    return frozenset(row[0] for row in rows)


def _keep(
    connection: sqlite3.Connection, why: str, at_ms: int, last_gutter: int, state: State
) -> None:
    number = connection.execute("SELECT coalesce(max(number), 0) + 1 FROM moves").fetchone()[0]
    connection.execute(
        KEEP,
        {
            "number": number, "at_ms": at_ms, "why": why, "last_gutter": last_gutter,
            "archive": "", "digest": "", "state": state.as_text(),
        },
    )  # fmt: skip
