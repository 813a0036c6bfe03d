"""The people at seed hopper and drum in a rehearsal: a changeover, announced, done and looked at.

What they do for their own safety there, isolator and lock, is not played: it is SAFETY.md's.
"""

from __future__ import annotations

from collections.abc import Callable

from linectl.line.changeover import EMPTYING, FIRST, RUNNING_OUT
from linectl.runtime.bench import Bench

HOPPER_MS = 180_000
"""Two people empty and change seed hopper and drum (3 min: common practice, no source)."""


class Hopper:
    """`say` gives the line a command of theirs: unit, name, argument."""

    def __init__(self, bench: Bench, say: Callable[[str, str, str], None]) -> None:
        self._bench, self._change, self._say = bench, bench.line.changeover, say
        self._seeder = bench.site.station("seed")
        self._done_ms = 0
        self.changes: list[tuple[int, str]] = []
        """When which crop was put in use, ms of the run."""

    def announce(self, crop: str, lot: str) -> None:
        """Another crop is wanted: the sower runs out for it."""
        if not self._change.stands:
            self._done_ms = 0
            self._say("sowing", "changeover", f"{crop} {lot}")

    def look(self, now: int, over: bool) -> None:
        """A round of acts: hopper and drum once the sower is empty, then the first gutter."""
        change = self._change
        if over and change.stage in (RUNNING_OUT, EMPTYING):
            self._say("sowing", "changeover", "cancel")
        elif change.stage == EMPTYING and not self._done_ms:
            self._done_ms = now + HOPPER_MS
        elif change.stage == EMPTYING and now >= self._done_ms:
            self._change_seed(change.crop, change.lot)
            self.changes.append((now, change.crop))
        elif change.stage == FIRST and not self._bench.line.sowing.moving:
            self._say("sowing", "first-gutter", "good")

    def _change_seed(self, crop: str, lot: str) -> None:
        bench = self._bench
        bench.act(lambda: bench.plant.do("change seed", self._seeder, crop=crop, lot=lot))
        self._say("sowing", "hopper-changed", lot)

    def busy(self) -> bool:
        """True while nobody starts the sower: it runs out, hands are near the drum, or the first
        gutter has not been looked at."""
        return self._change.stage in (RUNNING_OUT, EMPTYING, FIRST)
