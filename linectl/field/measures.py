"""What a bus measures of itself while it runs: histograms, and answers that grow late."""

from __future__ import annotations

import bisect
from collections import deque
from collections.abc import Mapping
from typing import NamedTuple

EDGES_MS = (1, 2, 3, 5, 7, 10, 15, 20, 30, 50, 70, 100, 150, 200, 300, 500, 700, 1000, 2000, 5000)
"""Upper edges of a histogram's classes; the last class is open."""


class Spread(NamedTuple):
    """A measured quantity, ms: of so many `values` half (`half`) and 99 of 100 (`most`) were at
    most this, and the worst."""

    values: int
    half: float
    most: float
    worst: float
    classes: Mapping[str, int] = {}
    """How many values by class: `≤5`, `>5000`, ms."""


class Histogram:
    """Counts values by class; owned by one thread, read by others as copies."""

    def __init__(self) -> None:
        self.counts = [0] * (len(EDGES_MS) + 1)
        self.worst = 0.0

    def add(self, value_ms: float) -> None:
        self.counts[bisect.bisect_left(EDGES_MS, value_ms)] += 1
        if value_ms > self.worst:
            self.worst = value_ms

    def below(self, share: float) -> float:
        """The upper edge of the class in which that share of all values is reached, ms."""
        counts = list(self.counts)
        wanted = share * sum(counts)
        seen = 0
        for edge, count in zip(EDGES_MS, counts, strict=False):
            seen += count
            if seen and seen >= wanted:
                return min(float(edge), self.worst)
        return self.worst

    def spread(self) -> Spread:
        half, most = self.below(0.5), self.below(0.99)
        return Spread(sum(self.counts), half, most, self.worst, self.classes())

    def classes(self) -> Mapping[str, int]:
        """Counts by class that has any: `≤5` or `>5000`, ms."""
        names = [f"≤{edge}" for edge in EDGES_MS] + [f">{EDGES_MS[-1]}"]
        return {name: count for name, count in zip(names, self.counts, strict=True) if count}


class Lateness:
    """Whether a device's answers come near their time-out, or beyond it.

    Near means above `NEAR` of the time-out; a single one is chance, `NEAR_COUNT` among the last
    `WINDOW` answers are a device, a converter or a line that is wearing out or overloaded.
    """

    WINDOW = 200
    NEAR = 0.6
    NEAR_COUNT = 3

    def __init__(self, timeout_ms: float) -> None:
        self._timeout_ms = timeout_ms
        self._last: deque[float] = deque(maxlen=self.WINDOW)
        self._near = 0
        self.late = 0
        """Answers that came after their time-out, since start."""

    def answered(self, latency_ms: float) -> None:
        """An answer came in time."""
        if len(self._last) == self.WINDOW and self._is_near(self._last[0]):
            self._near -= 1
        self._last.append(latency_ms)
        if self._is_near(latency_ms):
            self._near += 1

    def came_late(self, beyond_ms: float) -> None:
        """An answer came `beyond_ms` after its time-out."""
        self.late += 1
        self.answered(self._timeout_ms + beyond_ms)

    @property
    def rising(self) -> str:
        """What is to be told, in words; empty while all is well."""
        if self._near < self.NEAR_COUNT:
            return ""
        worst = max(self._last)
        return (
            f"{self._near} of its last {len(self._last)} answers took more than "
            f"{self.NEAR:.0%} of the time-out of {self._timeout_ms:.0f} ms (worst {worst:.0f} ms)"
        )

    def _is_near(self, latency_ms: float) -> bool:
        return latency_ms > self.NEAR * self._timeout_ms
