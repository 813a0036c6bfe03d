"""A TCP port before a modelled serial line: connections come, their bytes go to a subclass."""

from __future__ import annotations

import contextlib
import socket
import struct
from abc import abstractmethod
from collections.abc import Sequence

from linectl.site.hardware import SerialLine
from linectl_sim.line_devices import LineDevice
from linectl_sim.line_engine import Answer
from linectl_sim.line_faults import LineFaults
from linectl_sim.paced_line import READ_BYTES, LineThread

CLIENTS_MAX = 8
RESETS = struct.pack("ii", 1, 0)
"""SO_LINGER on, 0 s: closing sends a reset."""


class LineFront(LineThread):
    """Listens on this machine (`host`, `port`); `wanted` is taken if it is free."""

    def __init__(
        self,
        line: SerialLine,
        answer: Answer | Sequence[LineDevice],
        faults: LineFaults,
        seed: int,
        pace: bool,
        wanted: int,
    ) -> None:
        super().__init__(line, answer, faults, seed, pace)
        self._clients: dict[int, socket.socket] = {}
        self._listener = listen(wanted)
        self.host, self.port = self._listener.getsockname()

    @property
    def path(self) -> str:
        """`host:port`, for messages."""
        return f"{self.host}:{self.port}"

    def vanish(self, reset: bool = False) -> None:
        """It loses its network: every connection ends, new ones are refused.

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
                with contextlib.suppress(OSError):
                    client.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, RESETS)
            self._drop(client)

    def _appear(self) -> None:
        if self._listener.fileno() < 0:
            self._listener = socket.create_server((self.host, self.port))
            self._listener.setblocking(False)

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
        if data:
            self._data(client, data, now_s)
        else:
            self._drop(client)

    def _accept(self) -> None:
        try:
            client, _ = self._listener.accept()
        except OSError:
            return  # it left before we came
        if len(self._clients) >= CLIENTS_MAX:
            client.close()
            return
        client.setblocking(False)
        with contextlib.suppress(OSError):  # reset already: its first read says so
            client.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        self._clients[client.fileno()] = client

    def _send(self, client: object, data: bytes) -> bool:
        """False if it is not there any more, or does not read."""
        if isinstance(client, socket.socket):
            with contextlib.suppress(OSError):
                return client.send(data) > 0
        return False

    def _drop(self, client: socket.socket) -> None:
        self._clients.pop(client.fileno(), None)
        client.close()

    def _shut(self) -> None:
        for client in list(self._clients.values()):
            self._drop(client)
        self._listener.close()

    @abstractmethod
    def _data(self, client: socket.socket, data: bytes, now_s: float) -> None:
        """Bytes came from a client."""


def listen(wanted: int) -> socket.socket:
    """A listener on this machine; the system chooses the number if `wanted` is not free."""
    try:
        listener = socket.create_server(("127.0.0.1", wanted))
    except OSError:
        listener = socket.create_server(("127.0.0.1", 0))
    listener.setblocking(False)
    return listener
