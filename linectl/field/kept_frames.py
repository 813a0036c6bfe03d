"""Frames as they went over a wire: the last ones kept for people, all of them for a trace."""

from __future__ import annotations

import time
from collections import deque
from typing import NamedTuple, Protocol

FRAMES_KEPT = 128
KEPT_BYTES = 512
"""So much of what came in one exchange is kept for a person and the trace."""


class Frame(NamedTuple):
    """One piece of the wire's traffic; monotonic seconds."""

    at_s: float
    sent: bool
    data: bytes


class Sink(Protocol):
    """Takes every frame of a wire; called by the bus's own thread, and must not wait."""

    def frame(self, bus: str, at_s: float, sent: bool, data: bytes) -> None: ...


class KeptFrames:
    """The last frames of one bus. Without a sink keeping costs one test for None a frame."""

    def __init__(self, bus: str, sink: Sink | None) -> None:
        self.last: deque[Frame] = deque(maxlen=FRAMES_KEPT)
        self._bus = bus
        self._sink = sink

    def keep(self, sent: bool, data: bytes) -> None:
        now_s = time.monotonic()
        self.last.append(Frame(now_s, sent, data))
        if self._sink is not None:
            self._sink.frame(self._bus, now_s, sent, data)
