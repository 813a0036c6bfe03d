"""What the points of the image are now, and their last changes with the scan that saw them.

For tools that watch a running controller without touching it: they ask now and then, and still
learn in which scan each thing moved. Numbers change all the time: only their quality is kept.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Mapping, Sequence
from types import MappingProxyType
from typing import Any

from linectl.image import Frame, Value
from linectl.site.model import Site

CHANGES_MAX = 4096
"""Changes kept: minutes of a working line."""


class Changes:
    """Remembers what came in and went out; belongs to the scan's thread."""

    def __init__(self, site: Site, outputs: Sequence[Value]) -> None:
        self.digest = site.digest
        """Of the site that the line runs with: tuning changes it."""
        self._scan_ms = site.file.scan_ms
        self._tags = [point.tag for point in site.points]
        self._bool = [point.is_bool for point in site.points]
        self._invert = [point.invert for point in site.points]
        self._value: list[Value] = list(outputs)
        self._good = [point.direction == "out" for point in site.points]
        self._kept: deque[tuple[int, int, str, Value | None]] = deque(maxlen=CHANGES_MAX)
        self._count = 0

    def note(
        self, frame: Frame, written: Sequence[int], outputs: Sequence[Value], now: int
    ) -> None:
        """What one scan took and wrote."""
        moved: dict[int, None] = {}
        for index, good in frame.quality:
            self._good[index] = good
            moved[index] = None
        for index, value in frame.values:
            if self._bool[index]:
                self._value[index] = bool(value) is not self._invert[index]
                moved[index] = None
            else:
                self._value[index] = value
        for index in written:
            self._value[index] = outputs[index]
            if self._bool[index]:
                moved[index] = None
        for index in moved:
            self._count += 1
            value_now = self._value[index] if self._good[index] else None
            self._kept.append((self._count, now, self._tags[index], value_now))

    def answer(
        self, since: int, now: int, counted: Mapping[int, Value] = MappingProxyType({})
    ) -> dict[str, Any]:
        """The reply to the ask `points`; see `control.py`.

        counted: counters as they were read last; the line is told of them only when it asks.
        """
        new = min(max(self._count - since, 0), len(self._kept)) if since >= 0 else 0
        return {
            "site_digest": self.digest,
            "now_ms": now,
            "scan_ms": self._scan_ms,
            "number": self._count,
            "lost": since >= 0 and self._count - since > len(self._kept),
            "points": {
                tag: counted.get(index, value) if good else None
                for index, (tag, value, good) in enumerate(
                    zip(self._tags, self._value, self._good, strict=True)
                )
            },
            "changes": [list(one) for one in list(self._kept)[len(self._kept) - new :]],
        }
