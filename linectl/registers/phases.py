"""At which polls slow requests are due, so that no poll of a bus carries more than its share. Pure.

A request of a class with period n polls is due at the polls p, p + n, p + 2n, …; p is its phase.
Each request in turn, the more frequent first and of equals the longer first, takes the phase whose
fullest poll is the emptiest: of equals the one with the least load in all, then the earliest. The
polls repeat after the least common multiple of the periods. Where that is too long to lay out,
each class is levelled by itself, and the fullest polls of all classes are taken to meet.
"""

from __future__ import annotations

import math
from collections.abc import Iterable

POLLS_MAX = 20_000
"""Polls that are laid out together: at 20 ms they last over six minutes."""
PHASES_MAX = 1_000
"""Phases that are tried; a bus has fewer slow requests."""


class PollTable:
    """The load of each poll, in ms, until all repeats."""

    def __init__(self, everies: Iterable[int]) -> None:
        """`everies`: the periods in polls of all requests that will be added."""
        periods = {1, *everies}
        whole = math.lcm(*periods)
        self._together = whole <= POLLS_MAX
        self._whole = whole
        self._loads = {n: [0.0] * n for n in ({whole} if self._together else periods)}

    def lightest(self, every: int) -> int:
        """The phase for one more request of that period."""
        loads = self._own(every)

        def load(phase: int) -> tuple[float, float]:
            polls = loads[phase::every]
            return max(polls), sum(polls)

        return min(range(min(every, PHASES_MAX)), key=load)

    def add(self, every: int, phase: int, ms: float) -> None:
        """Adds a request to its polls."""
        own = self._own(every)
        own[phase::every] = [load + ms for load in own[phase::every]]

    def most(self, every: int, phase: int) -> float:
        """The load of the fullest of those polls, in ms; never less than it can be."""
        own = self._own(every)
        others = [loads for loads in self._loads.values() if loads is not own]
        return max(own[phase::every]) + sum(max(loads) for loads in others)

    @property
    def fullest(self) -> float:
        """The load of the fullest poll, in ms; never less than it can be."""
        return sum(max(loads) for loads in self._loads.values())

    def _own(self, every: int) -> list[float]:
        return self._loads[self._whole if self._together else every]
