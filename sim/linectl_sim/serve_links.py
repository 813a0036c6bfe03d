"""Sockets and pseudo-terminals that a served plant listens on: bytes in, requests out."""

from __future__ import annotations

import contextlib
import os
import selectors
import socket
import termios
import tty
from collections.abc import Callable
from pathlib import Path
from typing import Protocol

from linectl_sim.serve_frames import NotModbusError, Request, RtuFrames, TcpFrames

CONNECTIONS_MAX = 16
"""Per bus; a controller holds one, a person looking on another."""
READ_BYTES = 4096
FRAME_GAP_S = 0.02
"""Silence after which a serial frame is over: a busy computer cannot time 1.75 ms."""

Send = Callable[[bytes], None]


class Hears(Protocol):
    """Whoever answers: called with each request, the way back, and how answers are framed."""

    def __call__(
        self, bus: str, request: Request, send: Send, frame: Callable[[Request, bytes], bytes]
    ) -> None: ...


class Link(Protocol):
    """Something in the selector: `ready` when it can be read."""

    def ready(self, now_s: float) -> None: ...

    def close(self) -> None: ...


class TcpLink:
    """One accepted connection of a bus."""

    def __init__(self, bus: str, link: socket.socket, hears: Hears, ended: Callable[[], None]):
        self._bus = bus
        self._link = link
        self._frames = TcpFrames()
        self._hears = hears
        self._ended = ended

    def fileno(self) -> int:
        return self._link.fileno()

    def ready(self, now_s: float) -> None:
        try:
            data = self._link.recv(READ_BYTES)
            requests = self._frames.feed(data) if data else None
        except BlockingIOError:
            return
        except (OSError, NotModbusError):
            requests = None
        if requests is None:
            self._ended()
            return
        for request in requests:
            self._hears(self._bus, request, self._send, self._frames.answer)

    def _send(self, data: bytes) -> None:
        with contextlib.suppress(OSError):
            self._link.sendall(data)

    def close(self) -> None:
        self._link.close()


class TcpPort:
    """A listening port on this machine; the system chooses the number if `wanted` is not free."""

    def __init__(
        self, bus: str, hears: Hears, selector: selectors.BaseSelector, wanted: int = 0
    ) -> None:
        self._bus = bus
        self._hears = hears
        self._selector = selector
        self._links: set[TcpLink] = set()
        try:
            self._listener = socket.create_server(("127.0.0.1", wanted))
        except OSError:
            self._listener = socket.create_server(("127.0.0.1", 0))
        self._listener.setblocking(False)
        self.host, self.port = self._listener.getsockname()
        selector.register(self._listener, selectors.EVENT_READ, self)

    def ready(self, now_s: float) -> None:
        try:
            link, _ = self._listener.accept()
        except OSError:
            return  # the other side left before we came
        if len(self._links) >= CONNECTIONS_MAX:
            link.close()
            return
        link.setblocking(False)
        link.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        served = TcpLink(self._bus, link, self._hears, lambda: self._end(served))
        self._links.add(served)
        self._selector.register(served, selectors.EVENT_READ, served)

    def _end(self, link: TcpLink) -> None:
        self._selector.unregister(link)
        self._links.discard(link)
        link.close()

    def close(self) -> None:
        for link in list(self._links):
            self._end(link)
        self._selector.unregister(self._listener)
        self._listener.close()


class SerialPort:
    """A pseudo-terminal: the controller opens `path`, we hold the other end.

    `path` is `link`, made to point at it, if one is given: it stays the same when a plant is
    started again.
    """

    def __init__(
        self, bus: str, hears: Hears, selector: selectors.BaseSelector, link: Path | None = None
    ) -> None:
        self._bus = bus
        self._hears = hears
        self._selector = selector
        self._frames = RtuFrames()
        self._heard_s = 0.0
        self._ours, self._theirs = os.openpty()
        tty.setraw(self._theirs)
        os.set_blocking(self._ours, False)
        self.path = os.ttyname(self._theirs)
        self._link = link
        if link is not None:
            link.unlink(missing_ok=True)
            link.symlink_to(self.path)
            self.path = str(link)
        selector.register(self._ours, selectors.EVENT_READ, self)

    def ready(self, now_s: float) -> None:
        try:
            data = os.read(self._ours, READ_BYTES)
        except OSError:
            return
        self._heard_s = now_s
        self._answer(self._frames.feed(data))

    def silent(self, now_s: float) -> None:
        """To be called now and then: ends a frame that silence ends."""
        if self._frames.waiting and now_s - self._heard_s >= FRAME_GAP_S:
            self._answer(self._frames.silence())

    @property
    def waiting(self) -> bool:
        return self._frames.waiting

    def _answer(self, requests: list[Request]) -> None:
        for request in requests:
            self._hears(self._bus, request, self._send, self._frames.answer)

    def _send(self, data: bytes) -> None:
        with contextlib.suppress(OSError):
            os.write(self._ours, data)

    def close(self) -> None:
        self._selector.unregister(self._ours)
        with contextlib.suppress(OSError, termios.error):
            termios.tcflush(self._theirs, termios.TCIOFLUSH)
        os.close(self._ours)
        os.close(self._theirs)
        if self._link is not None:
            self._link.unlink(missing_ok=True)
