"""The wall clock beside the ledger's time, looked at once a minute: an alarm when they part.

For people only. Nothing that the line does, and no age or order in the ledger, depends on it.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from linectl.image import Remark
from linectl.ledger.clock import SLACK_MS, ClockFinding, differs

LOOK_EVERY_MS = 60_000
DO = (
    "set the computer's clock (network time, or by hand), then start the controller again; if the"
    " controller asks whether it was off for so long, answer it"
)
TAKEN = " The ledger takes the clock's time again at the next start of the controller."


class ClockWatch:
    """One boot's. started_ms: its start in ledger time. finding: what it began with."""

    def __init__(
        self, started_ms: int, wall: Callable[[], int], finding: ClockFinding | None
    ) -> None:
        self._started_ms = started_ms
        self._wall = wall
        self._finding = finding
        self._at_start_ms: int | None = None
        self._apart_ms = self._told_apart_ms = 0
        self._text: str | None = None
        self._next_ms = 0

    def look(self, now: int) -> list[tuple[str, Remark | None]]:
        """What a frame tells of it; `now`: the controller's ms. Empty but for once a minute."""
        if now < self._next_ms:
            return []
        self._next_ms = now + LOOK_EVERY_MS
        wall_ms = self._wall()
        self._apart_ms = wall_ms - self._started_ms - now
        if self._at_start_ms is None:
            self._at_start_ms = self._apart_ms
        text = self._said(self._started_ms + now, wall_ms)
        moved = abs(self._apart_ms - self._told_apart_ms) > SLACK_MS
        if text is None and self._text is not None:
            self._text = None
            return [("clock", None)]
        if text is None or not (self._text is None or moved):
            return []
        self._text, self._told_apart_ms = text, self._apart_ms
        return [("clock", Remark("clock", "low", text, DO))]

    def status(self) -> dict[str, Any]:
        """For `status --json`: by how much the wall clock is ahead, and what is said of it."""
        kind = self._finding.kind if self._finding is not None else None
        return {"ahead_s": self._apart_ms // 1000, "finding": kind, "text": self._text}

    def _said(self, ledger_ms: int, wall_ms: int) -> str | None:
        """The boot's own finding until the clock is set; then how far they are apart."""
        if self._finding is None:
            return differs(ledger_ms, wall_ms)
        if self._at_start_ms is not None and abs(self._apart_ms - self._at_start_ms) <= SLACK_MS:
            return self._finding.text
        apart = differs(ledger_ms, wall_ms)
        return None if apart is None else apart + TAKEN
