"""The scan's beat: absolute deadlines in a plain thread; a missed one is counted, never caught up.

Sleeping a period after the work would drift by the work (3.6 % measured), so each deadline is the
last one plus the period, whatever the scan took.
"""

from __future__ import annotations

import time
from collections.abc import Callable

from linectl.ledger.clock import uptime_ns

Seconds = Callable[[], float]


def controller_clock() -> Callable[[], int]:
    """A clock that stands at 0 now: whole milliseconds, never set back.

    Where a computer was suspended, that time has passed too: every reading is then too old to be
    used, and every wait is over. A clock that stood still meanwhile would believe them.
    """
    start_ns = uptime_ns()
    return lambda: (uptime_ns() - start_ns) // 1_000_000


class Pacer:
    """Waits for one deadline after the other. `missed` counts those that were skipped."""

    def __init__(
        self,
        period_ms: int,
        clock: Seconds = time.monotonic,
        sleep: Callable[[float], None] = time.sleep,
    ) -> None:
        self._period_s = period_ms / 1000
        self._clock = clock
        self._sleep = sleep
        self._deadline_s = clock()
        self.missed = 0
        self.latest_ms = 0.0
        """How late the latest beat began at most since start."""

    def wait(self) -> None:
        """Sleep until the next deadline. Late by a period or more: skip to the beat's next."""
        self._deadline_s += self._period_s
        now_s = self._clock()
        if now_s < self._deadline_s:
            self._sleep(self._deadline_s - now_s)
            now_s = self._clock()
        behind_s = now_s - self._deadline_s
        self.latest_ms = max(self.latest_ms, behind_s * 1000)
        if behind_s >= self._period_s:
            skipped = int(behind_s / self._period_s)
            self.missed += skipped
            self._deadline_s += skipped * self._period_s
