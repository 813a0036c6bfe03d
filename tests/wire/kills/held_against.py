"""The ledger held against the bodies: where each gutter is, by both."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterable, Mapping, Sequence
from contextlib import closing
from pathlib import Path
from typing import NamedTuple

from linectl.image import Move

NOT_ON_THE_LINE = ("stock", "packing", "reject", "removed")
UNKNOWN = -1


def _of(move: Move) -> int | str:
    return move.source if move.kind == "stroke" else move.gutter


class Record(NamedTuple):
    """What the ledger has, read through a connection of its own."""

    stands: tuple[tuple[str, int], ...]
    """(place, gutter), -1 for one that nobody has named. Two at a station: the older one is on its
    way out of it."""
    moves: dict[int, Move]
    """Every move by number."""

    nothing: frozenset[int] = frozenset()
    """Open moves of which it has been found that they came to nothing."""

    def at(self, place: str) -> set[int]:
        """Gutters that stand there."""
        return {gutter for where, gutter in self.stands if where == place}

    def open(self) -> list[Move]:
        """Moves intended and not seen done, the oldest first: the last of its gutter, or of its
        run, else it has come to nothing long ago."""
        return sorted(self._still(self._moves_of(work=False).values()))

    def uncertain(self) -> set[int | str]:
        """Gutters, and runs, of which the record does not know what became of them."""
        return {
            _of(m) for work in (False, True) for m in self._still(self._moves_of(work).values())
        }

    def _moves_of(self, work: bool) -> dict[int | str, Move]:
        """The last work on each gutter, or the last way of each gutter and run."""
        moves = (m for m in self.moves.values() if m.kind not in ("reserve", "release"))
        return {_of(move): move for move in moves if (move.kind == "process") is work}

    def _still(self, moves: Iterable[Move]) -> list[Move]:
        return [move for move in moves if not move.done and move.number not in self.nothing]


def read_record(ledger: Path, nothing: Iterable[int] = ()) -> Record:
    """What is on disk now. nothing: see Record."""
    with closing(sqlite3.connect(f"file:{ledger}?mode=ro", uri=True, timeout=5)) as book:
        stands = tuple(
            (f"{name}.{slot}" if kind == "run" else name, max(gutter, UNKNOWN))
            for name, kind, slot, gutter in book.execute(
                "SELECT p.name, p.kind, p.strokes - g.seat, g.id"
                " FROM gutters g JOIN places p ON p.id = g.place"
            )
            if name not in NOT_ON_THE_LINE
        )
        crops = dict(book.execute("SELECT id, crop FROM gutters"))
        moves = {
            row[0]: Move(*row[:5], crops.get(row[2], ""), row[5] is not None, 0)
            for row in book.execute(
                "SELECT number, kind, gutter, source, dest, done_ms FROM moves_told ORDER BY number"
            )
        }
    return Record(stands, moves, frozenset(nothing))


class Difference(NamedTuple):
    """A gutter of which ledger and bodies do not say the same."""

    gutter: int
    ledger: str
    """Place by the ledger; "" if it is nowhere."""
    body: str
    under_way: bool
    """An open move of it leads from the one to the other: it is between the two."""

    def __str__(self) -> str:
        return (
            f"gutter {self.gutter}: ledger {self.ledger or 'nowhere'}, body {self.body or 'gone'}"
        )


def differences(
    stands: Iterable[tuple[str, int]], bodies: Mapping[str, int | None], moves: Sequence[Move]
) -> list[Difference]:
    """Where the two differ. `stands`: see Record; `moves`: the open ones."""
    stands = tuple(stands)
    seen = {
        place: gutter
        for place, gutter in bodies.items()
        if gutter is not None and place not in NOT_ON_THE_LINE
    }
    by_body = {gutter: place for place, gutter in seen.items()}
    found = []
    for place, gutter in stands:
        if seen.get(place) == gutter or (gutter == UNKNOWN and place in seen):
            continue
        there = by_body.get(gutter, "")
        found.append(Difference(gutter, place, there, _between(gutter, place, there, moves)))
    for place, gutter in seen.items():
        if gutter not in {known for _, known in stands} and (place, UNKNOWN) not in stands:
            found.append(Difference(gutter, "", place, _between(gutter, "", place, moves)))
    return found


def _between(gutter: int, ledger: str, body: str, moves: Sequence[Move]) -> bool:
    """An open move explains it."""
    for move in moves:
        if move.kind == "feed" and gutter == UNKNOWN and not ledger and body == move.dest:
            return True  # it fell on the belt, and was never told
        if move.kind == "stroke" and _one_on(ledger, body, move.source):
            return True
        if move.gutter != gutter:
            continue
        if move.kind == "handover" and not body and ledger == move.source:
            return True  # packing has it
        if {ledger, body} == {move.source, move.dest}:
            return True
        if move.kind == "transfer" and ledger == move.source and _joint_of(ledger, body):
            return True
    return False


def _joint_of(slot: str, place: str) -> bool:
    """The place is a transfer of the slot's lane: a lift, a joint."""
    return place.count(".") == 1 and place.partition(".")[0] == slot.partition(".")[0]


def _one_on(ledger: str, body: str, run: str) -> bool:
    """The body stands one slot further in the stroked run than the ledger has it."""
    run_l, _, slot_l = ledger.rpartition(".")
    run_b, _, slot_b = body.rpartition(".")
    return run_l == run_b == run and int(slot_b) == int(slot_l) + 1
