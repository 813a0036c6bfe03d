"""The replay: every move of the ledger in one pass, in the order in which it was done."""

from __future__ import annotations

import sqlite3
from collections.abc import Callable, Iterator
from heapq import heappop, heappush

from linectl.ledger.checkpoint import ARCHIVE, START, Checkpoint
from linectl.ledger.schema import KINDS, NAMES
from linectl.ledger.verify_moves import Machine
from linectl.ledger.verify_rules import (
    BOOTS,
    CHECKPOINT,
    COUNTS,
    KIND,
    NUMBERS,
    TIME,
    Findings,
)
from linectl.ledger.verify_state import WET, Row

MOVES = """
SELECT number, boot, kind, gutter, source, source_slot, dest, dest_slot, intended_ms, took_ms
FROM moves ORDER BY number
"""
TOLD_EVERY = 65_536
"""Moves between two reports of progress."""
NAMED_GAP = 8

Move = tuple[int, int, int, int, int, int, int, int, int, int | None]
Tell = Callable[[int, int], None]
"""Told now and then: (moves so far, moves in all)."""


class Boot:
    """A row of `boots`, as far as moves are held against it."""

    __slots__ = ("ended_ms", "id", "in_lanes", "started_ms")

    def __init__(self, id: int, started_ms: int, ended_ms: int | None, in_lanes: int) -> None:
        self.id = id
        self.started_ms = started_ms
        self.ended_ms = ended_ms
        self.in_lanes = in_lanes


class Replay:
    """Moves are read by number, that is by when they were intended, and played by when done.

    Done moves wait in a heap until no later one can have been done before them: when the next is
    intended at t, all done before t may be played. What was done in the same millisecond is played
    in an order that the rules allow, if there is one.
    """

    def __init__(
        self,
        machine: Machine,
        checkpoints: list[Checkpoint],
        boots: list[Boot],
        findings: Findings,
    ) -> None:
        self.machine = machine
        self.findings = findings
        self.read = self.done = 0
        self.waiting: list[Row] = []
        bases = [point for point in checkpoints if point.why != START]
        self.base = bases[-1] if bases else None
        self.from_number = self.base.number if self.base else 1
        self._starts = [p for p in checkpoints if p.why == START and p.number >= self.from_number]
        if self.base:
            machine.begin(self.base)
        cut_ms = self.base.at_ms if self.base else None
        self._boots = [b for b in boots if cut_ms is None or b.started_ms >= cut_ms]
        self._began = {boot.id: boot.started_ms for boot in boots}
        self._kept = set(self.base.state.under_way) if self.base else set()
        self.left_over = 0
        """Moves that the last archive has and that are still here: it was interrupted."""
        self._first_left = 0
        self.number = self.from_number - 1
        """The last move that was read."""
        self._boot = -1
        self._until_ms = -1
        """When the boot after the present one began."""
        self._intended_ms = -(1 << 62)

    def run(self, connection: sqlite3.Connection, total: int, tell: Tell) -> None:
        """Play all of them. Raises sqlite3.Error where a row cannot be read."""
        for row in self._rows(connection, total, tell):
            self.take(row)
        self.finish()

    def _rows(self, connection: sqlite3.Connection, total: int, tell: Tell) -> Iterator[Move]:
        cursor = connection.execute(MOVES)
        cursor.arraysize = TOLD_EVERY
        while rows := cursor.fetchmany():
            yield from rows
            self.read += len(rows)
            tell(self.read, total)

    def take(self, row: Move) -> None:
        """Read the next move, by number; play what was done before it was intended."""
        number, boot, kind, gutter, source, source_slot, dest, dest_slot, intended, took = row
        machine = self.machine
        if number != self.number + 1:
            if number < self.from_number:
                self._left_over(row)
                return
            self._gap(number)
        self.number = number
        if boot != self._boot or intended < self._intended_ms or intended > self._until_ms:
            self._judge_time(number, boot, intended)
        self._intended_ms = intended
        if self._boots and (self._boots[0].id <= boot or self._boots[0].started_ms < intended):
            self._begin_boots(intended, boot)
        while self._starts and self._starts[0].number <= number:
            self._stand(self._starts.pop(0))
        waiting = self.waiting
        while waiting and waiting[0][0] < intended:
            self._play()
        if kind not in NAMES or source not in machine.places or dest not in machine.places:
            self.findings.add(
                KIND, "moves", number,
                f"move {number} is of kind {kind}, from place {source} to place {dest}:"
                " one of them is unknown here",
            )  # fmt: skip
            return
        if (source_slot or dest_slot) and (why := self._odd(row)):
            self.findings.add(KIND, "moves", number, f"move {number} {why}")
        if kind == _PROCESS:
            if source in machine.water:
                machine.tell(gutter, WET, intended)  # from then on the valve may have opened
        elif dest != source:
            machine.bound[gutter] = dest
        if took is None:
            return
        if took < 0:
            self.findings.add(
                TIME, "moves", number,
                f"move {number} was done {-took} ms before it was intended",
            )  # fmt: skip
        heappush(
            waiting, (intended + took, number, kind, gutter, source, source_slot, dest, dest_slot)
        )

    def finish(self) -> None:
        """No more moves: play those that wait, judge the boots that are left."""
        while self.waiting:
            if self._boots and self._boots[0].started_ms <= self.waiting[0][0]:
                self._begin_boots(self.waiting[0][0] + 1, 0)
            self._play()
        while self._starts:
            self._stand(self._starts.pop(0))
        if self._boots:
            self._begin_boots(0, self._boots[-1].id)
        self._judge_left_over()
        for number in sorted(self._kept):
            self.findings.add(
                NUMBERS, "moves", number,
                f"move {number}, under way at the last archive's end, is missing",
            )  # fmt: skip

    def _odd(self, row: Move) -> str | None:
        """A slot that its place has not."""
        _, _, _, _, source, source_slot, dest, dest_slot, _, _ = row
        for place, slot in ((source, source_slot), (dest, dest_slot)):
            if not 0 <= slot < self.machine.places[place].slots:
                return f"names slot {slot} of {self.machine.places[place].name}, which has none"
        return None

    # numbers, time, boots -----------------------------------------------------------------------

    def _left_over(self, row: Move) -> None:
        """A move before the first that is replayed: under way then, or told by version 1."""
        number, _, kind, gutter, source, source_slot, dest, dest_slot, intended, took = row
        if number in self._kept:
            self._kept.discard(number)
            if kind in NAMES and source in self.machine.places and dest in self.machine.places:
                if dest != source:
                    self.machine.bound[gutter] = dest
                if took is not None:
                    done = intended + took
                    heappush(
                        self.waiting,
                        (done, number, kind, gutter, source, source_slot, dest, dest_slot),
                    )
        elif self.base is not None and self.base.why == ARCHIVE:
            self.left_over += 1
            self._first_left = self._first_left or number

    def _judge_left_over(self) -> None:
        """An archive takes moves away from the first on: what it left is whole from some number."""
        if self.base is None or not self.left_over:
            return
        first, last = self._first_left, self.from_number - 1
        kept = sum(first < number <= last for number in self.base.state.under_way)
        if self.left_over + kept != last - first + 1:
            self.findings.add(
                CHECKPOINT, "moves", first,
                f"move {first} is before {self.from_number}, the first that the last archive left",
            )  # fmt: skip

    def until(self, connection: sqlite3.Connection, number: int, tell: Tell) -> int:
        """Play what was done before move `number` was intended; returns when that was.

        `waiting` are then the moves that were under way. Raises sqlite3.Error.
        """
        (cut_ms,) = connection.execute(
            "SELECT intended_ms FROM moves WHERE number = ?", (number,)
        ).fetchone()
        for row in self._rows(connection, number - self.from_number, tell):
            if row[0] >= number:
                break
            self.take(row)
        while self.waiting and self.waiting[0][0] < cut_ms:
            self._play()
        return int(cut_ms)

    def _gap(self, number: int) -> None:
        missing = number - self.number - 1
        if missing < 1:
            return
        which = (
            f"move {self.number + 1} is missing"
            if missing == 1
            else f"moves {self.number + 1} to {number - 1} are missing"
        )
        self.findings.add(NUMBERS, "moves", self.number + 1, f"{which} before move {number}")

    def _judge_time(self, number: int, boot: int, intended: int) -> None:
        add = self.findings.add
        if intended < self._intended_ms:
            add(
                TIME, "moves", number,
                f"move {number} was intended {self._intended_ms - intended} ms before the one"
                " that is numbered before it",
            )  # fmt: skip
        if boot != self._boot:
            began = self._began.get(boot)
            if began is None:
                add(BOOTS, "moves", number, f"move {number} is of boot {boot}, which is missing")
            elif boot < self._boot:
                add(
                    BOOTS, "moves", number,
                    f"move {number} is of boot {boot}, after moves of boot {self._boot}",
                )  # fmt: skip
            elif intended < began:
                add(
                    TIME, "moves", number,
                    f"move {number} was intended {began - intended} ms before its boot began",
                )  # fmt: skip
            self._boot = max(boot, self._boot)
            later = [ms for other, ms in self._began.items() if other > self._boot]
            self._until_ms = min(later, default=1 << 62)
        if intended > self._until_ms:
            add(
                TIME, "moves", number,
                f"move {number} of boot {boot} was intended {intended - self._until_ms} ms after"
                " the next boot had begun",
            )  # fmt: skip

    def _begin_boots(self, before: int, until: int) -> None:
        """Hold the gutters in lanes against what boots counted at their start: boots that began
        before that time, and those up to that id.

        What was done in a boot's first millisecond may have been before or after its count.
        """
        while self._boots and (self._boots[0].id <= until or self._boots[0].started_ms < before):
            boot = self._boots.pop(0)
            while self.waiting and self.waiting[0][0] < boot.started_ms:
                self._play()
            if self.machine.in_lanes == boot.in_lanes:
                continue
            while self._starts and self._starts[0].at_ms <= boot.started_ms:
                self._stand(self._starts.pop(0))
            while self.waiting and self.waiting[0][0] <= boot.started_ms:
                self._play()
            if self.machine.in_lanes != boot.in_lanes:
                self.findings.add(
                    COUNTS, "boots", boot.id,
                    f"boot {boot.id} counted {boot.in_lanes} gutters in the lanes, the moves"
                    f" before it leave {self.machine.in_lanes}",
                )  # fmt: skip

    def _stand(self, start: Checkpoint) -> None:
        while self.waiting and self.waiting[0][0] < start.at_ms:
            self._play()
        broken = self.machine.stand(start.state, start.at_ms)
        if broken is not None:
            rule, text = broken
            self.findings.add(rule, "checkpoint", start.id, f"at a first start: {text}")

    # playing ------------------------------------------------------------------------------------

    def _play(self) -> None:
        """The earliest that waits, with all that were done in the same millisecond."""
        waiting, play = self.waiting, self.machine.play
        move = heappop(waiting)
        self.done += 1
        broken = play(move)
        if broken is None:
            return
        moment = move[0]
        stuck = [move]
        while waiting and waiting[0][0] == moment:
            stuck.append(heappop(waiting))
            self.done += 1
        while stuck:
            left = [move for move in stuck if play(move) is not None]
            if len(left) == len(stuck):
                move = left.pop(0)
                rule, text = play(move) or broken
                self.findings.add(rule, "moves", move[1], f"move {move[1]}: {text}")
                self.machine.put(move)
            stuck = left


_PROCESS = KINDS["process"]
