"""Conditioned inputs: invert, on/off delay, quality. Bad reads neither on nor off."""

from __future__ import annotations

from linectl.image import Frame, Value
from linectl.site.model import Site

NEVER = 1 << 62
"""A due that does not come."""


class Inputs:
    """What the line knows of the field, by point index.

    `on[i]` and `off[i]` are both False while point i is bad: a rule that needs a proof gets none.
    `value[i]` is the number of a numeric point, NaN while bad.
    """

    FIELDS = ("raw", "on", "off", "value", "good", "pending", "asked", "counted", "first_seen")

    def __init__(self, site: Site) -> None:
        count = len(site.points)
        self._invert = [point.invert for point in site.points]
        self._bool = [point.is_bool for point in site.points]
        self._on_delay = [point.on_delay_ms for point in site.points]
        self._off_delay = [point.off_delay_ms for point in site.points]
        self.raw: list[Value] = [False] * count
        self.on = [False] * count
        self.off = [False] * count
        self.value = [float("nan")] * count
        self.good = [False] * count
        self.pending: dict[int, int] = {}
        self.asked: list[int] = []
        self.counted: dict[int, float] = {}
        self.first_seen: dict[int, int] = {}
        """When the last change that waited for its point's delay was first seen, ms."""

    def take(self, frame: Frame, now: int) -> list[int]:
        """Take the frame; return the points whose conditioned value or quality changed."""
        changed: list[int] = []
        for index, good in frame.quality:
            if good != self.good[index]:
                self.good[index] = good
                self.pending.pop(index, None)
                self._settle(index)
                changed.append(index)
        for index, value in frame.values:
            if not self._bool[index]:
                self._number(index, value, changed)
                continue
            level = bool(value) is not self._invert[index]
            if level == self.raw[index]:
                self.pending.pop(index, None)
                if self.on[index] == level or not self.good[index]:
                    continue
            self.raw[index] = level
            if not self.good[index]:
                continue
            delay = self._on_delay[index] if level else self._off_delay[index]
            if delay:
                if self.on[index] != level:
                    self.pending[index] = now + delay
                else:
                    self.pending.pop(index, None)
            else:
                self._settle(index)
                changed.append(index)
        if self.pending:
            for index in [i for i, due in self.pending.items() if due <= now]:
                delays = self._on_delay if self.raw[index] else self._off_delay
                self.first_seen[index] = self.pending.pop(index) - delays[index]
                self._settle(index)
                changed.append(index)
        return changed

    def next_due(self) -> int:
        """When the earliest running delay ends."""
        return min(self.pending.values(), default=NEVER)

    def ask(self, index: int) -> None:
        """Ask for a counter's next sample; `counted` holds it once it has come."""
        self.counted.pop(index, None)
        if index not in self.asked:
            self.asked.append(index)

    def _number(self, index: int, value: Value, changed: list[int]) -> None:
        if index in self.asked:
            self.asked.remove(index)
            self.counted[index] = float(value)
        if self.raw[index] != value or self.value[index] != value:
            self.raw[index] = value
            self._settle(index)
            changed.append(index)

    def _settle(self, index: int) -> None:
        good = self.good[index]
        if self._bool[index]:
            level = bool(self.raw[index])
            self.on[index] = good and level
            self.off[index] = good and not level
        else:
            self.value[index] = float(self.raw[index]) if good else float("nan")
