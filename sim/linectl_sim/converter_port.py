"""A serial line behind a converter: RTU frames over TCP, bytes passed on as they are.

A converter knows no transactions. It puts what its clients send on the line, one client's bytes
at a time, and hands what the line says to whoever is connected then, be it the answer to the
question of a connection that is long gone (common practice, no source).
"""

from __future__ import annotations

import socket
from collections import deque
from collections.abc import Sequence

from linectl.site.hardware import SerialLine
from linectl_sim.line_devices import LineDevice
from linectl_sim.line_engine import Answer
from linectl_sim.line_faults import LineFaults
from linectl_sim.line_front import LineFront

HELD_MAX = 64
"""Chunks of bytes that wait for the line; more are dropped, as a full buffer does."""
LOOK_S = 0.0005
"""How often a waiting client's turn is looked at."""


class ConverterPort(LineFront):
    """A TCP port before a serial line with its faults.

    hold_ms     how long the next client's bytes wait for the answer to the last ones; 0: only
                until the line is quiet
    only_asker  True: an answer goes only to the connection that asked, and is lost without it
    """

    def __init__(
        self,
        line: SerialLine,
        answer: Answer | Sequence[LineDevice],
        faults: LineFaults = LineFaults(),  # noqa: B008  # frozen
        seed: int = 0,
        pace: bool = True,
        hold_ms: float = 0.0,
        only_asker: bool = False,
        wanted: int = 0,
    ) -> None:
        super().__init__(line, answer, faults, seed, pace, wanted)
        self._hold_s = hold_ms / 1000
        self._only_asker = only_asker
        self._held: deque[tuple[socket.socket, bytes]] = deque()
        self._asker: socket.socket | None = None
        self._asked_s = 0.0
        self._thread.start()

    def _data(self, client: socket.socket, data: bytes, now_s: float) -> None:
        if len(self._held) < HELD_MAX:
            self._held.append((client, data))
            self._pass_on(now_s)

    def _after(self, now_s: float) -> None:
        self._pass_on(now_s)

    def _pass_on(self, now_s: float) -> None:
        """Put waiting bytes on the line; another client's only when the line is free."""
        while self._held:
            client, data = self._held[0]
            if client is not self._asker and not self._free(now_s):
                self.engine.wake_s = now_s + LOOK_S
                return
            self._held.popleft()
            self._asker, self._asked_s = client, now_s
            self.engine.hear(data, now_s, client)
            if not self._pace:
                self.engine.step(now_s)

    def _free(self, now_s: float) -> bool:
        if not self.engine.quiet(now_s):
            return False
        alone = self._asker is None or self._asker.fileno() < 0
        return alone or not self.engine.busy or now_s >= self._asked_s + self._hold_s

    def _out(self, data: bytes, whose: object) -> None:
        clients: list[object] = [whose] if self._only_asker else [*self._clients.values()]
        sent = [self._send(client, data) for client in clients]
        if not any(sent):
            self.played["nobody there"] += 1
