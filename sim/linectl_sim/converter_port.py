"""A serial line behind a converter: RTU frames over TCP, bytes passed on as they are.

A converter knows no transactions. It puts what its clients send on the line, one client's bytes
at a time, and hands what the line says to whoever is connected then, be it the answer to the
question of a connection that is long gone (common practice, no source).
"""

from __future__ import annotations

import contextlib
import socket
import struct
from collections import deque
from collections.abc import Sequence

from linectl.site.hardware import SerialLine
from linectl_sim.line_devices import LineDevice
from linectl_sim.line_engine import Answer
from linectl_sim.line_faults import LineFaults
from linectl_sim.paced_line import READ_BYTES, LineThread

CLIENTS_MAX = 8
HELD_MAX = 64
"""Chunks of bytes that wait for the line; more are dropped, as a full buffer does."""
RESETS = struct.pack("ii", 1, 0)
"""SO_LINGER on, 0 s: closing sends a reset."""


class ConverterPort(LineThread):
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
        super().__init__(line, answer, faults, seed, pace)
        self._hold_s = hold_ms / 1000
        self._only_asker = only_asker
        self._clients: dict[int, socket.socket] = {}
        self._held: deque[tuple[socket.socket, bytes]] = deque()
        self._asker: socket.socket | None = None
        self._asked_s = 0.0
        self._listener = _listen(wanted)
        self.host, self.port = self._listener.getsockname()
        self._thread.start()

    @property
    def path(self) -> str:
        """`host:port`, for messages."""
        return f"{self.host}:{self.port}"

    def vanish(self, reset: bool = False) -> None:
        """The converter loses its network: every connection ends, new ones are refused.

        reset: the connections end with a reset instead of an orderly close."""
        self._order(lambda: self._vanish(reset))

    def come_back(self) -> None:
        """It listens again, on the same port."""
        self._order(self._appear)

    def _vanish(self, reset: bool) -> None:
        self.played["vanished"] += 1
        self._listener.close()
        for client in list(self._clients.values()):
            if reset:
                client.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, RESETS)
            self._drop(client)

    def _appear(self) -> None:
        if self._listener.fileno() < 0:
            self._listener = _listen(self.port)

    def _ends(self) -> list[int]:
        ends = list(self._clients)
        if self._listener.fileno() >= 0:
            ends.append(self._listener.fileno())
        return ends

    def _hear(self, end: int, now_s: float) -> None:
        if end == self._listener.fileno():
            self._accept()
            return
        client = self._clients.get(end)
        if client is None:
            return
        try:
            data = client.recv(READ_BYTES)
        except BlockingIOError:
            return
        except OSError:
            data = b""
        if not data:
            self._drop(client)
        elif len(self._held) < HELD_MAX:
            self._held.append((client, data))
            self._pass_on(now_s)

    def _accept(self) -> None:
        try:
            client, _ = self._listener.accept()
        except OSError:
            return  # it left before we came
        if len(self._clients) >= CLIENTS_MAX:
            client.close()
            return
        client.setblocking(False)
        client.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        self._clients[client.fileno()] = client

    def _after(self, now_s: float) -> None:
        self._pass_on(now_s)

    def _pass_on(self, now_s: float) -> None:
        """Put waiting bytes on the line; another client's only when the line is free."""
        while self._held:
            client, data = self._held[0]
            if client is not self._asker and not self._free(now_s):
                self.engine.wake_s = now_s + 0.0005
                return
            self._held.popleft()
            self._asker, self._asked_s = client, now_s
            self.engine.hear(data, now_s, client)
            if not self._pace:
                self.engine.step(now_s)

    def _free(self, now_s: float) -> bool:
        if self._asker is None or self._asker.fileno() < 0:
            return self.engine.quiet(now_s)
        if not self.engine.quiet(now_s):
            return False
        return not self.engine.busy or now_s >= self._asked_s + self._hold_s

    def _out(self, data: bytes, whose: object) -> None:
        clients = [whose] if self._only_asker else list(self._clients.values())
        sent = False
        for client in clients:
            if isinstance(client, socket.socket):
                with contextlib.suppress(OSError):
                    sent = client.send(data) > 0 or sent
        if not sent:
            self.played["nobody there"] += 1

    def _drop(self, client: socket.socket) -> None:
        self._clients.pop(client.fileno(), None)
        client.close()

    def _shut(self) -> None:
        for client in list(self._clients.values()):
            self._drop(client)
        self._listener.close()


def _listen(wanted: int) -> socket.socket:
    try:
        listener = socket.create_server(("127.0.0.1", wanted))
    except OSError:
        listener = socket.create_server(("127.0.0.1", 0))
    listener.setblocking(False)
    return listener
