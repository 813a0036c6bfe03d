"""A Modbus TCP gateway before a serial line: several units behind one address, one at a time.

A request waits for its turn, takes its time on the line, and is answered with its own
transaction number. A unit that stays silent is answered 0B after the gateway's own time-out, a
unit that no path leads to 0A at once: MODBUS Application Protocol V1.1b3 (2012), 7. Other
gateways stay silent themselves (common practice, no source): `answers_silence`.
"""

from __future__ import annotations

import socket
from collections import deque
from collections.abc import Collection, Sequence

from linectl.registers.frames import crc16
from linectl.site.hardware import SerialLine
from linectl_sim.line_devices import LineDevice
from linectl_sim.line_engine import Answer
from linectl_sim.line_faults import LineFaults, framed
from linectl_sim.line_front import LineFront
from linectl_sim.serve_frames import NotModbusError, Request, TcpFrames

NO_PATH, NO_RESPONSE = 0x0A, 0x0B
QUEUE_MAX = 64
"""Requests that wait; more are dropped."""
LOOK_S = 0.0005


class GatewayPort(LineFront):
    """A TCP port whose requests share one serial line.

    timeout_ms       after which a unit counts as silent
    paths            the units that lead anywhere; None: all
    answers_silence  False: it says nothing where it might say 0A or 0B
    """

    def __init__(
        self,
        line: SerialLine,
        answer: Answer | Sequence[LineDevice],
        faults: LineFaults = LineFaults(),  # noqa: B008  # frozen
        seed: int = 0,
        pace: bool = True,
        timeout_ms: float = 100.0,
        paths: Collection[int] | None = None,
        answers_silence: bool = True,
        wanted: int = 0,
    ) -> None:
        super().__init__(line, answer, faults, seed, pace, wanted)
        self._timeout_s = timeout_ms / 1000
        self._paths = paths
        self._answers_silence = answers_silence
        self._frames: dict[socket.socket, TcpFrames] = {}
        self._waiting: deque[tuple[socket.socket, Request]] = deque()
        self._asked: tuple[socket.socket, Request] | None = None
        self._until_s = 0.0
        self._heard = b""
        self._thread.start()

    def _data(self, client: socket.socket, data: bytes, now_s: float) -> None:
        try:
            requests = self._frames.setdefault(client, TcpFrames()).feed(data)
        except NotModbusError:
            self._drop(client)
            return
        for request in requests:
            if self._paths is not None and request.unit not in self._paths:
                self._refuse(client, request, NO_PATH)
            elif len(self._waiting) < QUEUE_MAX:
                self._waiting.append((client, request))
        self._turn(now_s)

    def _drop(self, client: socket.socket) -> None:
        self._frames.pop(client, None)
        super()._drop(client)

    def _after(self, now_s: float) -> None:
        self._turn(now_s)

    def _turn(self, now_s: float) -> None:
        """End the request that is on the line if its time is up; put the next one there."""
        if self._asked is not None and now_s >= self._until_s:
            client, request = self._asked
            self._asked = None
            if request.unit != 0:
                self._refuse(client, request, NO_RESPONSE)
        while self._asked is None and self._waiting and self.engine.quiet(now_s):
            self._asked = self._waiting.popleft()
            request = self._asked[1]
            self._heard = b""
            self._until_s = now_s + self._timeout_s
            self.engine.hear(framed(bytes((request.unit,)) + request.pdu), now_s)
            if not self._pace:
                self.engine.step(now_s)
        if self._asked is not None:
            self.engine.wake_s = self._until_s
        elif self._waiting:
            self.engine.wake_s = now_s + LOOK_S

    def _out(self, data: bytes, whose: object) -> None:
        """The line speaks: an answer that fits is handed on, all else is dropped."""
        self._heard += data
        heard = self._heard
        if self._asked is None or len(heard) < 4 or crc16(heard[:-2]) != heard[-2:]:
            return
        client, request = self._asked
        if heard[0] == request.unit and heard[1] & 0x7F == request.pdu[0]:
            self._asked = None
            self._send(client, TcpFrames.answer(request, heard[1:-2]))

    def _refuse(self, client: socket.socket, request: Request, code: int) -> None:
        if self._answers_silence:
            self.played[f"gateway {code:02X}"] += 1
            pdu = bytes((request.pdu[0] | 0x80, code))
            self._send(client, TcpFrames.answer(request, pdu))
