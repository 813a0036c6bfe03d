"""The numbers of requests on one connection, and which late answer belongs to which request."""

from __future__ import annotations

from collections import Counter
from typing import NamedTuple

from linectl.field.framing import TcpAnswer

LAST_NUMBER = 0xFFFF
PENDING_KEPT = 32


class Late(NamedTuple):
    """An answer that came after its time-out, by `late_ms`."""

    device: str
    late_ms: float


class Numbers:
    """For one connection; monotonic seconds. `answers` finds the answers in its stream."""

    def __init__(self) -> None:
        self.answers = TcpAnswer()
        self._last = 0
        self._unanswered: dict[int, tuple[str, float]] = {}
        """By number: the device, and when its answer should have come at the latest."""

    def begin_anew(self) -> None:
        """Another connection: nothing that was asked on the last one is answered here. The count
        goes on, so that a box in between that mixes them up is found out."""
        self.answers = TcpAnswer()
        self._unanswered.clear()

    def following(self, unit: int) -> int:
        """The number for a request to that unit; its answer is waited for from now on."""
        self._last = self._last % LAST_NUMBER + 1
        self.answers.expect(self._last, unit)
        return self._last

    def not_answered(self, device: str, due_s: float) -> None:
        """The last request's time is over."""
        while len(self._unanswered) >= PENDING_KEPT:
            self._unanswered.pop(next(iter(self._unanswered)))
        self._unanswered[self._last] = (device, due_s)

    def take_late(self, now_s: float) -> tuple[Counter[str], list[Late]]:
        """What came besides answers since the last call, counted; and which of it was late."""
        seen, self.answers.seen = self.answers.seen, Counter()
        late = []
        for number in self.answers.late:
            if number in self._unanswered:
                device, due_s = self._unanswered.pop(number)
                late.append(Late(device, (now_s - due_s) * 1000))
        self.answers.late = []
        return seen, late
