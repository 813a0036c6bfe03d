"""The scan's sign of life to systemd, sent only from the end of a good scan.

The chain: scan → buses (outputs older than half a second go safe) → the output devices' own
watchdogs; and scan → systemd, which starts a dead controller again (it then moves nothing).
"""

from __future__ import annotations

import contextlib
import os
import socket

BEAT_MS = 1000
"""At most one datagram a second; the unit file's WatchdogSec should be several of them."""


class Heartbeat:
    """Sends to the socket that systemd names in NOTIFY_SOCKET; without one it does nothing."""

    def __init__(self, environment: dict[str, str] | None = None) -> None:
        known = os.environ if environment is None else environment
        self._address = known.get("NOTIFY_SOCKET", "")
        self._socket: socket.socket | None = None
        self._next_ms = 0
        if self._address:
            if self._address.startswith("@"):
                self._address = "\0" + self._address[1:]
            self._socket = socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM)
            self._socket.setblocking(False)
            self._send(b"READY=1")

    def beat(self, now: int) -> None:
        """A good scan has ended at `now`, ms."""
        if self._socket is not None and now >= self._next_ms:
            self._next_ms = now + BEAT_MS
            self._send(b"WATCHDOG=1")

    def close(self) -> None:
        """The controller ends on purpose."""
        if self._socket is not None:
            self._send(b"STOPPING=1")
            self._socket.close()
            self._socket = None

    def _send(self, text: bytes) -> None:
        # A full or absent socket is systemd's matter: the scan waits for nobody.
        if self._socket is not None:
            with contextlib.suppress(OSError):
                self._socket.sendto(text, self._address)
