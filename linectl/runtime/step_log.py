"""The last changes of state of every part, kept for whoever compares steps with their time-outs.

The ledger leaves them out: they would be two thirds of it. Like `changes.py` it belongs to the
scan's thread, only appends, and hands over a part at a time.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Iterable
from itertools import islice
from typing import Any

from linectl.image import Event

STEPS_MAX = 24_000
"""Kept: some 200 gutters with their strokes and transfers; a few megabytes."""
REPLY_MAX = 2_000
"""Handed over at once, so that no scan is kept waiting."""
KEPT = frozenset(("station", "unit", "alarm_on", "alarm_off"))


class StepLog:
    """Remembers states of parts and units, and which alarms stood meanwhile."""

    def __init__(self) -> None:
        self._kept: deque[Event] = deque()
        self._count = 0
        self._before: dict[tuple[str, str], Event] = {}
        """By kind and source: what stood when the oldest that is kept began."""

    def take(self, events: Iterable[Event]) -> None:
        """What one scan told."""
        for event in events:
            if event.kind in KEPT:
                self._kept.append(event)
                self._count += 1
        while len(self._kept) > STEPS_MAX:
            self._forget(self._kept.popleft())

    def _forget(self, event: Event) -> None:
        if event.kind == "alarm_off":
            self._before.pop(("alarm_on", event.source), None)
        else:
            self._before[event.kind, event.source] = event

    def answer(self, since: int, now: int) -> dict[str, Any]:
        """The reply to the ask `steps`; see `control.py`. Below zero: from the oldest on, after
        what stood before it."""
        first = self._count - len(self._kept)
        begin = max(since, first)
        rows = [*self._before.values()] if since < first else []
        part = min(self._count, begin + REPLY_MAX)
        rows += islice(self._kept, begin - first, part - first)
        return {
            "now_ms": now,
            "number": part,
            "more": part < self._count,
            "lost": 0 <= since < first,
            "steps": [
                [event.at, event.kind, event.source, event.text, dict(event.data)] for event in rows
            ],
        }
