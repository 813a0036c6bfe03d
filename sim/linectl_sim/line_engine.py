"""A serial line in time: when each byte would be through, which device acts when. No I/O here.

    request's bytes ──► silence (t3.5) ──► device: turnaround, lateness ──► answer's bytes

Sources: character of 10 or 11 bits, t1.5 and t3.5: MODBUS over Serial Line V1.02 (2006), 2.5.1.1.

Bytes never collide here: an answer that would meet another waits for it, and a request that is
sent into an answer reaches its device all the same (it is counted in `breaches`). That is the
worst case for a master: on a real line such a late answer would often be destroyed.
"""

from __future__ import annotations

import heapq
from collections import Counter, deque
from collections.abc import Callable, Sequence
from functools import partial

from linectl.registers.frames import crc16
from linectl.registers.wire_time import character_gap_ms, character_ms, silence_ms
from linectl.site.hardware import SerialLine
from linectl_sim.line_devices import LineDevice
from linectl_sim.line_faults import LineFaults, Mischief, Piece, framed
from linectl_sim.serve_frames import RtuFrames

CHUNK_MS = 0.5
"""Bytes are handed over at least this often, as an adapter's buffer does, and under t1.5."""
LOOSE_END_S = 0.005
"""Without pacing: a silence after which what was heard is no frame any more."""

Answer = Callable[[bytes], list[tuple[float, bytes]]]
"""A request frame in, answers out: each after so many ms, with its CRC."""
Out = Callable[[bytes, object], None]
"""Sends bytes to the master; the second says whose request they answer."""


class _Seat:
    """One device with the requests that wait for it."""

    def __init__(self, device: LineDevice) -> None:
        self.device = device
        self.waiting: deque[tuple[bytes, object]] = deque()
        self.busy = False


class LineEngine:
    """Times in seconds of the caller's clock. `hear` bytes, `step` when `due_s` has come."""

    def __init__(
        self,
        line: SerialLine,
        answer: Answer | Sequence[LineDevice],
        out: Out,
        faults: LineFaults = LineFaults(),  # noqa: B008  # frozen
        seed: int = 0,
        pace: bool = True,
        chunk_ms: float = CHUNK_MS,
    ) -> None:
        self.mischief = Mischief(faults, seed)
        self.breaches: Counter[str] = Counter()
        """What the master did against the specification."""
        self._out = out
        self._pace = pace
        self._chunk_s = chunk_ms / 1000
        self._character_s = character_ms(line) / 1000 if pace else 0.0
        self._silence_s = silence_ms(line) / 1000 if pace else 0.0
        self._gap_ms = character_gap_ms(line)
        self._answer = answer if callable(answer) else None
        devices = () if callable(answer) else answer
        self._seats = {device.unit: _Seat(device) for device in devices}
        self._due: list[tuple[float, int, Callable[[float], None], bool]] = []
        self._order = 0
        self._heard = bytearray()
        self._whose: object = None
        self._loose = RtuFrames()
        self._in_free_s = 0.0
        self._frame_ends_s: float | None = None
        self._out_free_s = 0.0
        self._rested_s = 0.0
        self._start_s: float | None = None
        self.wake_s: float | None = None
        """When the engine's owner wants to be woken, beside what is due on the line."""

    @property
    def busy(self) -> bool:
        """True while something is under way: a frame, a device at work, an answer."""
        return bool(self._due) or self._frame_ends_s is not None

    @property
    def due_s(self) -> float | None:
        """When `step` has something to do next."""
        due_s = self._due[0][0] if self._due else None
        for other_s in (self._frame_ends_s, self.wake_s):
            if other_s is not None and (due_s is None or other_s < due_s):
                due_s = other_s
        return due_s

    @property
    def sharp(self) -> bool:
        """False if what is due next may come a moment late: a frame's bytes but the last ones."""
        return not self._due or self._due[0][3] or self.due_s != self._due[0][0]

    def quiet(self, now_s: float) -> bool:
        """True while no byte is on the line and the silence after the last one is over."""
        last_s = max(self._in_free_s, self._out_free_s)
        return self._frame_ends_s is None and now_s >= last_s + self._silence_s

    def hear(self, data: bytes, now_s: float, whose: object = None) -> None:
        """Bytes come from the master."""
        if self._start_s is None:
            self._start_s = now_s
        elif now_s < self._out_free_s:
            self.breaches["spoke into an answer"] += 1
        elif now_s < self._out_free_s + self._silence_s:
            self.breaches["kept no silence"] += 1
        if now_s < self._rested_s:
            self.breaches["left no pause"] += 1
            return
        begin_s = max(now_s, self._in_free_s)
        self._in_free_s = begin_s + len(data) * self._character_s
        if echo := self.mischief.echo(data):
            self._transmit([Piece(0.0, echo)], begin_s, whose)
        self._whose = whose
        heard = self.mischief.carry(data)
        if self._pace:
            self._heard += heard
            self._frame_ends_s = self._in_free_s + self._silence_s
            return
        for request in self._loose.feed(heard):
            self._frame(framed(bytes((request.unit,)) + request.pdu), now_s)
        self._frame_ends_s = now_s + LOOSE_END_S if self._loose.waiting else None

    def step(self, now_s: float) -> None:
        """Do all that is due."""
        if self.wake_s is not None and self.wake_s <= now_s:
            self.wake_s = None
        while True:
            ends_s = self._frame_ends_s
            if ends_s is not None and ends_s <= now_s and not self._earlier(ends_s):
                self._frame_ends_s = None
                self._silence(ends_s)
            elif self._due and self._due[0][0] <= now_s:
                due_s, _, act, _ = heapq.heappop(self._due)
                act(due_s)
            else:
                return

    def forget(self) -> None:
        """The port is gone: nothing that was under way arrives any more."""
        self._due.clear()
        self._heard.clear()
        self._loose = RtuFrames()
        self._frame_ends_s = None
        self._out_free_s = self._in_free_s = self._rested_s = 0.0
        for seat in self._seats.values():
            seat.waiting.clear()
            seat.busy = False

    def _earlier(self, than_s: float) -> bool:
        return bool(self._due) and self._due[0][0] < than_s

    def _later(self, due_s: float, act: Callable[[float], None], sharp: bool = True) -> None:
        self._order += 1
        heapq.heappush(self._due, (due_s, self._order, act, sharp))

    def _silence(self, at_s: float) -> None:
        """The line has been silent: what was heard is a frame, or it is nothing."""
        if self._pace:
            frame = bytes(self._heard)
            self._heard.clear()
            self._frame(frame, at_s)
            return
        for request in self._loose.silence():
            self._frame(framed(bytes((request.unit,)) + request.pdu), at_s)

    def _frame(self, frame: bytes, at_s: float) -> None:
        whose = self._whose
        if self._answer is not None:
            refusal = self.mischief.refusal(frame) if len(frame) >= 4 else None
            answers = self._answer(frame) if refusal is None else [(0.0, refusal)]
            for delay_ms, data in answers:
                begin_s = at_s + (delay_ms + self.mischief.late_ms()) / 1000
                self._later(begin_s, self._sends(data, whose))
            return
        if len(frame) < 4 or crc16(frame[:-2]) != frame[-2:]:
            return
        if frame[0] == 0:
            for seat in self._seats.values():
                seat.device.request(frame[1:-2], self._ms(at_s))
        elif frame[0] in self._seats:
            seat = self._seats[frame[0]]
            seat.waiting.append((frame, whose))
            if not seat.busy:
                self._begin(seat, at_s)

    def _begin(self, seat: _Seat, at_s: float) -> None:
        """The device takes up the next request."""
        seat.busy = True
        turnaround_s = seat.device.turnaround_ms / 1000 if self._pace else 0.0
        self._later(at_s + turnaround_s, lambda due_s: self._act(seat, due_s))

    def _act(self, seat: _Seat, at_s: float) -> None:
        frame, whose = seat.waiting.popleft()
        data = self.mischief.refusal(frame)
        late_s = 0.0
        if data is None:
            pdu = seat.device.request(frame[1:-2], self._ms(at_s))
            data = framed(frame[:1] + pdu) if pdu else b""
            late_s = (seat.device.late_ms + self.mischief.late_ms()) / 1000

        def answer(due_s: float) -> None:
            end_s = self._transmit(self.mischief.answer(data, self._gap_ms), due_s, whose)
            if self._pace and (pause_s := seat.device.pause_ms / 1000):
                self._rested_s = end_s + pause_s
            self._later(end_s, done)

        def done(due_s: float) -> None:
            seat.busy = False
            if seat.waiting:
                self._begin(seat, due_s)

        self._later(at_s + late_s, answer)

    def _sends(self, data: bytes, whose: object) -> Callable[[float], None]:
        def send(due_s: float) -> None:
            self._transmit(self.mischief.answer(data, self._gap_ms), due_s, whose)

        return send

    def _transmit(self, pieces: Sequence[Piece], at_s: float, whose: object) -> float:
        """Put bytes on the line, each at its time; when the last one is through."""
        end_s = max(at_s, self._out_free_s) if pieces else at_s
        for pause_ms, data in pieces:
            begin_s = end_s + pause_ms / 1000
            size = max(1, int(self._chunk_s / self._character_s)) if self._pace else len(data)
            for first in range(0, len(data), max(size, 1)):
                chunk = data[first : first + size]
                chunk_end_s = begin_s + (first + len(chunk)) * self._character_s
                last = first + size >= len(data)
                self._later(chunk_end_s, partial(self._say, chunk, whose), last)
            end_s = begin_s + len(data) * self._character_s
            self._out_free_s = max(self._out_free_s, end_s)
        return end_s

    def _say(self, chunk: bytes, whose: object, due_s: float) -> None:
        self._out(chunk, whose)

    def _ms(self, at_s: float) -> int:
        return int((at_s - (self._start_s or 0.0)) * 1000)
