"""When in a move the power goes: four phases, from the words that the line tells and their disk."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Sequence
from random import Random
from statistics import median
from typing import NamedTuple

from cutting.boot import BEFORE, DONE, PHASES, TRAVEL, WRITTEN, Boot
from linectl.image import Move

AT_ONCE = ("reserve", "release")
"""Moves intended and done in one transaction: before it, and after it."""


class Target(NamedTuple):
    """A kind of move, with its station or run, and the phase to be hit."""

    key: str
    phase: str


def key_of(move: Move) -> str:
    """`convey tamp`, `process seed`, `stroke germ`, `insert`."""
    if move.kind in ("convey", "process"):
        return f"{move.kind} {move.dest}"
    if move.kind == "stroke":
        return f"stroke {move.source.rpartition('.')[2]}"
    return move.kind


def targets_of(keys: list[str]) -> list[Target]:
    """Each kind with each phase that it has."""
    return [
        Target(key, phase)
        for key in sorted(keys)
        for phase in PHASES
        if key not in AT_ONCE or phase in (BEFORE, DONE)
    ]


class Hit(NamedTuple):
    """Where the power went: the phase that it really was, the move, the boot's ms."""

    target: Target
    move: Move
    at: int


class Moments:
    """Finds instants for targets, knowing how long moves took until now."""

    def __init__(self, chance: Random) -> None:
        self._chance = chance
        self.took: dict[str, list[int]] = defaultdict(list)

    def learn(self, boot: Boot, for_ms: int) -> None:
        """Run on, and note how long each kind of move takes from intent to done."""
        begun: dict[int, int] = {}

        def note() -> bool:
            for move in boot.bench.told:
                if not move.done:
                    begun[move.number] = boot.bench.now
                elif move.number in begun:
                    self.took[key_of(move)].append(boot.bench.now - begun.pop(move.number))
            return False

        boot.bench.until(boot.bench.now + for_ms, note)

    def reach(self, boot: Boot, targets: Sequence[Target], within_ms: int) -> Hit | None:
        """Run until the moment of the first of these that comes up; None if none came in time."""
        keys = {target.key for target in targets}

        def told() -> bool:
            return any(not m.done and key_of(m) in keys for m in boot.bench.told)

        if not boot.bench.until(boot.bench.now + within_ms, told):
            return None
        begun = {key_of(move): move for move in boot.bench.told if not move.done}
        target = next(target for target in targets if target.key in begun)
        move = begun[target.key]
        if move.kind in AT_ONCE:
            return self._at_once(boot, target, move)
        if target.phase == BEFORE:
            return self._unwritten(boot, target, move)
        boot.bench.until(boot.bench.now + 5_000, lambda: (move.number, False) in boot.disk.written)
        if target.phase == WRITTEN:
            return self._written(boot, target, move)
        return self._under_way(boot, target, move)

    def _unwritten(self, boot: Boot, target: Target, move: Move) -> Hit:
        """Between the scan that told its last word and the disk."""
        at = next(b.at for b in boot.disk.waiting if any(m.number == move.number for m in b.moves))
        return Hit(target, move, self._chance.randint(boot.bench.now, max(boot.bench.now, at - 1)))

    def _at_once(self, boot: Boot, target: Target, move: Move) -> Hit:
        if target.phase == BEFORE:
            return self._unwritten(boot, target, move)
        boot.bench.until(boot.bench.now + 5_000, lambda: (move.number, True) in boot.disk.written)
        return Hit(target, move, boot.bench.now + self._chance.randint(0, 3_000))

    def _written(self, boot: Boot, target: Target, move: Move) -> Hit:
        """On disk, nothing of it written to a device yet: this scan's outputs are lost."""
        for pending in boot.bench._pending.values():
            pending.clear()
        return Hit(target, move, boot.bench.now)

    def _under_way(self, boot: Boot, target: Target, move: Move) -> Hit:
        """Anywhere until it is done; or from its being told as done until that is on disk."""
        bench, key = boot.bench, target.key
        done = lambda: any(m.done and m.number == move.number for m in bench.told)  # noqa: E731
        if target.phase == TRAVEL:
            usual = median(self.took[key]) if self.took[key] else 5_000
            if not bench.until(bench.now + round(self._chance.random() * usual), done):
                return Hit(target, move, bench.now + self._chance.randint(0, 9))
        elif not bench.until(bench.now + 120_000, done):
            return Hit(Target(key, TRAVEL), move, bench.now)
        return self._unwritten(boot, Target(key, DONE), move)
