"""Sockets that a served plant listens on, plain or TLS: bytes in, requests out."""

from __future__ import annotations

import contextlib
import selectors
import socket
import ssl
from collections import Counter, deque
from collections.abc import Callable
from typing import Protocol

from linectl_sim.line_front import RESETS, listen
from linectl_sim.serve_frames import NotModbusError, Request, TcpFrames
from linectl_sim.serve_tls import Peer, peer_of

CONNECTIONS_MAX = 16
"""Per bus; a controller holds one, a person looking on another."""
READ_BYTES = 4096
PEERS_KEPT = 100

Send = Callable[[bytes], None]
_WAIT = (BlockingIOError, ssl.SSLWantReadError, ssl.SSLWantWriteError)


class Hears(Protocol):
    """Whoever answers: called with each request, the way back, and how answers are framed."""

    def __call__(
        self, bus: str, request: Request, send: Send, frame: Callable[[Request, bytes], bytes]
    ) -> None: ...


class TcpLink:
    """One accepted connection of a bus."""

    def __init__(self, port: TcpPort, link: socket.socket) -> None:
        self._port = port
        self._link = link
        self._frames = TcpFrames()
        self._shaking = isinstance(link, ssl.SSLSocket)

    def fileno(self) -> int:
        return self._link.fileno()

    def ready(self, now_s: float) -> None:
        try:
            if self._shaking and isinstance(self._link, ssl.SSLSocket):
                self._link.do_handshake()
                self._shaking = False
                self._port.peers.append(peer_of(self._link))
            while data := self._link.recv(READ_BYTES):
                self._port.take(self._frames.feed(data), self._send, self._frames.answer)
        except _WAIT:
            return
        except (OSError, NotModbusError) as error:
            kind = "refused" if self._shaking else "broken"
            self._port.ends[f"{kind}: {type(error).__name__}"] += 1
        self._port.end(self)

    def _send(self, data: bytes) -> None:
        with contextlib.suppress(OSError):
            self._link.sendall(data)

    def close(self, reset: bool = False) -> None:
        if reset:
            with contextlib.suppress(OSError):
                self._link.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, RESETS)
        self._link.close()


class TcpPort:
    """A listening port on this machine; the system chooses the number if `wanted` is not free.

    `pull` is the cable pulled out: connections stay open and nothing is heard or said. `plug`
    is the device started anew: what was open is gone.
    """

    def __init__(
        self,
        bus: str,
        hears: Hears,
        selector: selectors.BaseSelector,
        wanted: int = 0,
        context: ssl.SSLContext | None = None,
    ) -> None:
        self._bus = bus
        self._hears = hears
        self._selector = selector
        self._context = context
        self._links: set[TcpLink] = set()
        self._pulled = False
        self.peers: deque[Peer] = deque(maxlen=PEERS_KEPT)
        """Who showed which certificate, the last ones."""
        self.ends: Counter[str] = Counter()
        """Connections that ended badly, by reason."""
        self._listener = listen(wanted)
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
        try:
            link.setblocking(False)
            link.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
            if self._context is not None:
                link = self._context.wrap_socket(
                    link, server_side=True, do_handshake_on_connect=False
                )
        except OSError:  # reset already
            link.close()
            return
        served = TcpLink(self, link)
        self._links.add(served)
        self._selector.register(served, selectors.EVENT_READ, served)

    def take(
        self, requests: list[Request], send: Send, frame: Callable[[Request, bytes], bytes]
    ) -> None:
        """Requests came over one of the connections."""
        for request in requests:
            self._hears(self._bus, request, lambda data: self._say(send, data), frame)

    def _say(self, send: Send, data: bytes) -> None:
        if not self._pulled:
            send(data)

    def pull(self) -> None:
        """Nothing is heard or said any more; no connection learns of it."""
        if not self._pulled:
            self._pulled = True
            self._selector.unregister(self._listener)
            for link in self._links:
                self._selector.unregister(link)

    def plug(self) -> None:
        """It hears again; whoever was connected is answered with a reset."""
        if self._pulled:
            self._pulled = False
            for link in self._links:
                link.close(reset=True)
            self._links.clear()
            self._selector.register(self._listener, selectors.EVENT_READ, self)

    def end(self, link: TcpLink, reset: bool = False) -> None:
        """Close one connection."""
        if not self._pulled:
            self._selector.unregister(link)
        self._links.discard(link)
        link.close(reset)

    def close(self) -> None:
        for link in list(self._links):
            self.end(link)
        if not self._pulled:
            self._selector.unregister(self._listener)
        self._listener.close()
