"""The plant's clock: a heap of things due, ties broken by time, priority and order of asking.

Time is an int, milliseconds. Nothing here depends on how far a caller leaps: an instant is
worked off whole, and what a caller does between two instants is stamped with `now`.
"""

from __future__ import annotations

from collections.abc import Callable, Generator
from heapq import heappop, heappush
from math import ceil
from typing import Any

Action = Callable[[], object]
Entry = list[Any]
"""[time, priority, order, action]; an action of None is a cancelled entry."""

EARLY, NORMAL, LATE = 0, 1, 2
"""Priorities within one instant: bodies and devices are NORMAL, the auditor looks LATE."""


class Kernel:
    """Events in virtual time. `now` is the instant being worked off, or the last one reached."""

    __slots__ = ("_order", "heap", "now")

    def __init__(self) -> None:
        self.now = 0
        self.heap: list[Entry] = []
        self._order = 0

    def at(self, time: int, action: Action, priority: int = NORMAL) -> Entry:
        """Have `action` called at `time` ms (not before now); the entry can be cancelled."""
        self._order += 1
        entry: Entry = [time if time > self.now else self.now, priority, self._order, action]
        heappush(self.heap, entry)
        return entry

    def after(self, delay: int, action: Action, priority: int = NORMAL) -> Entry:
        """Have `action` called `delay` ms from now."""
        return self.at(self.now + delay, action, priority)

    def process(self, steps: Generator[int, None, None]) -> None:
        """Run a process now: each value it yields is a wait in ms."""
        delay = next(steps, None)
        if delay is not None:
            self.after(delay, lambda: self.process(steps))

    def instant(self, limit: int) -> bool:
        """Work off the whole next instant if it is due by `limit`; False if nothing is."""
        heap = self.heap
        while heap and heap[0][3] is None:
            heappop(heap)
        if not heap or heap[0][0] > limit:
            return False
        time = heap[0][0]
        self.now = time
        while heap and heap[0][0] == time:
            action = heappop(heap)[3]
            if action is not None:
                action()
        return True

    def run(self, limit: int) -> None:
        """Work off everything due by `limit` and stand there."""
        while self.instant(limit):
            pass
        self.now = limit


def cancel(entry: Entry | None) -> None:
    """Take an entry back; harmless if it is None or already done."""
    if entry is not None:
        entry[3] = None


def whole_ms(exact: float) -> int:
    """The first whole millisecond at or after an exact time (1e-6 ms counts as rounding)."""
    return ceil(exact - 1e-6)
