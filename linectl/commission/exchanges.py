"""A trace's frames as exchanges: which answer belongs to which request, which came late or never.

    answered     the answer fits the request and came in time
    late         it fits, but came after the bus's time-out: the line had given it up
    exception    the device refused
    unanswered   nothing came before the next request
    damaged      bytes came, but no whole frame: CRC wrong, or too short
    stale        a frame that answers an earlier request
    foreign      a frame that answers no request at all
    unknown      something sent that is no request of this program
    open         the trace ends before the time-out

An echo of our own request, as some RS-485 adapters give, is passed over.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, field
from typing import Literal, NamedTuple

from linectl.commission.frame_reading import (
    SINGLES,
    Message,
    Request,
    exception_code,
    misfit,
    read_cells,
    request_of,
    split,
)
from linectl.field.asks import EXCEPTION_TEXT
from linectl.field.trace_lines import Framing, Traced

Outcome = Literal[
    "answered",
    "late",
    "exception",
    "unanswered",
    "damaged",
    "stale",
    "foreign",
    "unknown",
    "open",
]
FINE: frozenset[Outcome] = frozenset({"answered", "open"})
PAST_KEPT = 16
"""Unanswered requests of a bus that a stale answer is looked up in."""


STAMP_SLACK_MS = 1.0
"""Between an answer's last byte and our stamp, so that one in time is not called late."""


class BusTiming(NamedTuple):
    """When an answer of a bus counts as late: `byte_ms` is a byte's time on its serial line, 0
    without one; the time-out runs from the request's end."""

    framing: Framing
    timeout_ms: float
    byte_ms: float = 0.0


@dataclass(frozen=True)
class Exchange:
    """One request and what became of it; or (`request` None) a frame that belongs to none.

    `at_s` is the request's time (or the frame's), monotonic seconds as in the trace.
    """

    at_s: float
    bus: str
    outcome: Outcome
    request: Request | None = None
    latency_ms: float | None = None
    """From the request to the last byte of its answer, both as stamped by this program."""
    cells: tuple[int, ...] = ()
    """Bits or registers that were read, or that the device has accepted."""
    text: str = ""
    """What went wrong, in words."""


@dataclass
class _Pending:
    request: Request
    at_s: float
    raw: bytes
    came: bytes = b""
    came_at_s: float = 0.0


@dataclass
class _Bus:
    name: str
    timing: BusTiming
    pending: _Pending | None = None
    past: deque[_Pending] = field(default_factory=lambda: deque(maxlen=PAST_KEPT))
    last_raw: bytes = b""
    """The single write that has just been answered: its echo looks like a second answer."""

    def sent(self, frame: Traced) -> Iterator[Exchange]:
        yield from self.give_up()
        found = split(self.timing.framing, frame.data, answers=False)
        request = request_of(found.messages[0]) if found.messages else None
        self.last_raw = b""
        if request is None or found.rest or len(found.messages) > 1:
            text = f"{len(frame.data)} bytes were sent that are no request: {frame.data.hex(' ')}"
            yield Exchange(frame.at_s, self.name, "unknown", text=text)
        else:
            self.pending = _Pending(request, frame.at_s, frame.data)

    def came(self, frame: Traced) -> Iterator[Exchange]:
        pending = self.pending
        if pending is None:
            yield from self._unasked(frame)
            return
        data = pending.came + frame.data
        if pending.request.function not in SINGLES and data.startswith(pending.raw):
            data = data[len(pending.raw) :]
        found = split(self.timing.framing, data, answers=True)
        pending.came, pending.came_at_s = found.rest, frame.at_s
        for message in found.messages:
            if self.pending is not None and misfit(pending.request, message) is None:
                self.pending = None
                self.last_raw = pending.raw if pending.request.function in SINGLES else b""
                yield self._answered(pending, message, frame.at_s)
            else:
                yield self._astray(message, frame.at_s)
        if self.pending is None and found.rest:
            yield self._damaged(None, frame.at_s, found.rest)

    def _answered(self, pending: _Pending, message: Message, at_s: float) -> Exchange:
        request, latency_ms = pending.request, (at_s - pending.at_s) * 1000
        code = exception_code(message)
        if code is not None:
            meaning = EXCEPTION_TEXT.get(code, "no meaning in the specification")
            text = f"exception {code}: {meaning}"
            return Exchange(pending.at_s, self.name, "exception", request, latency_ms, text=text)
        cells = read_cells(request, message) if request.is_read else request.cells
        late_ms = latency_ms - self._limit_ms(pending)
        if late_ms > STAMP_SLACK_MS:
            text = f"came {late_ms:.0f} ms after the time-out, and was discarded"
            return Exchange(pending.at_s, self.name, "late", request, latency_ms, cells, text)
        return Exchange(pending.at_s, self.name, "answered", request, latency_ms, cells)

    def _limit_ms(self, pending: _Pending) -> float:
        return self.timing.timeout_ms + len(pending.raw) * self.timing.byte_ms

    def _unasked(self, frame: Traced) -> Iterator[Exchange]:
        if self.last_raw and frame.data == self.last_raw:
            self.last_raw = b""
            return
        found = split(self.timing.framing, frame.data, answers=True)
        for message in found.messages:
            yield self._astray(message, frame.at_s)
        if found.rest:
            yield self._damaged(None, frame.at_s, found.rest)

    def _astray(self, message: Message, at_s: float) -> Exchange:
        """A whole frame that does not answer what was asked last."""
        for past in reversed(self.past):
            if misfit(past.request, message) is None:
                self.past.remove(past)
                after_ms = (at_s - past.at_s) * 1000
                text = f"answers a request of {after_ms:.0f} ms before, which had been given up"
                return Exchange(at_s, self.name, "stale", past.request, after_ms, text=text)
        why = "nothing was asked"
        if self.pending is not None:
            why = misfit(self.pending.request, message) or why
        text = f"a frame of unit {message.unit}, function {message.function}: {why}"
        return Exchange(at_s, self.name, "foreign", text=text)

    def _damaged(self, pending: _Pending | None, at_s: float, data: bytes) -> Exchange:
        what = "no whole frame" if self.timing.framing == "tcp" or len(data) < 4 else "no right CRC"
        text = f"{len(data)} bytes came, {what}: {data.hex(' ')}"
        request = pending.request if pending else None
        return Exchange(pending.at_s if pending else at_s, self.name, "damaged", request, text=text)

    def give_up(self, end_s: float | None = None) -> Iterator[Exchange]:
        """The request that is still open has no answer; `end_s`: where the trace ends."""
        pending, self.pending = self.pending, None
        if pending is None:
            return
        self.past.append(pending)
        if pending.came:
            yield self._damaged(pending, pending.came_at_s, pending.came)
        elif end_s is not None and (end_s - pending.at_s) * 1000 < self._limit_ms(pending):
            yield Exchange(pending.at_s, self.name, "open", pending.request)
        else:
            yield Exchange(pending.at_s, self.name, "unanswered", pending.request, text="no answer")


def exchanges(frames: Iterable[Traced], timings: Mapping[str, BusTiming]) -> Iterator[Exchange]:
    """The exchanges of a trace, each when its end is known; frames of other buses are left out."""
    buses = {name: _Bus(name, timing) for name, timing in timings.items()}
    end_s = None
    for frame in frames:
        end_s = frame.at_s
        bus = buses.get(frame.bus)
        if bus is not None:
            yield from bus.sent(frame) if frame.sent else bus.came(frame)
    for bus in buses.values():
        yield from bus.give_up(end_s)
