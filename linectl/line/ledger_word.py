"""The ledger's acknowledgement, an input with an age: too old, both units hold, nothing begins.

A move waits for its own word; this looks at all words, those too that say that something is done.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from linectl.line.inputs import NEVER

if TYPE_CHECKING:
    from linectl.line.line import Line

TAG = "ledger.late"


class LedgerWord:
    """Words told and not yet on disk, the oldest first, each with when it is too old."""

    FIELDS = ("waiting",)

    def __init__(self, line: Line) -> None:
        self._line = line
        self.waiting: list[list[int]] = []
        """[last word told in a scan, ms at which it should be on disk]."""

    def step(self, now: int) -> None:
        """Note what this scan told; hold both units while anything is too old."""
        line = self._line
        waiting = self.waiting
        if line.words > line.durable and (not waiting or waiting[-1][0] < line.words):
            waiting.append([line.words, now + line.ledger_ack_ms])
        while waiting and waiting[0][0] <= line.durable:
            waiting.pop(0)
        if not self.late():
            line.alarms.clear(TAG)
            return
        line.alarms.raise_(
            TAG, "high",
            f"the ledger has confirmed nothing for {line.ledger_ack_ms / 1000:g} s: what moves now"
            " would not survive a power cut",
        )  # fmt: skip
        for unit in line.units:
            if unit.can("hold"):
                unit.hold(self.against() or "")

    def late(self) -> bool:
        """A word should have been on disk by now."""
        return bool(self.waiting) and self._line.now >= self.waiting[0][1]

    def against(self) -> str | None:
        """Why nothing may be started; None if nothing is late."""
        return "the ledger does not confirm what was done" if self.late() else None

    def next_due(self) -> int:
        """When the oldest word becomes too old, NEVER if it is so already or none waits."""
        return self.waiting[0][1] if self.waiting and not self.late() else NEVER
