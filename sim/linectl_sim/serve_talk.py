"""The rehearsal's own talk with a served plant: JSON lines on a local port, not part of a field."""

from __future__ import annotations

import contextlib
import json
import selectors
import socket
from collections.abc import Callable
from typing import Any

LINE_BYTES_MAX = 1_048_576
"""Longest line: the gutters of a full house in one."""

Answer = Callable[[dict[str, Any]], dict[str, Any]]


class _Talker:
    """One connection, its lines answered in order."""

    def __init__(self, link: socket.socket, answer: Answer, ended: Callable[[], None]) -> None:
        self._link = link
        self._answer = answer
        self._ended = ended
        self._heard = b""

    def fileno(self) -> int:
        return self._link.fileno()

    def ready(self, now_s: float) -> None:
        try:
            data = self._link.recv(65_536)
        except BlockingIOError:
            return
        except OSError:
            data = b""
        self._heard += data
        if not data or len(self._heard) > LINE_BYTES_MAX:
            self._ended()
            return
        *lines, self._heard = self._heard.split(b"\n")
        for line in lines:
            self._say(line)

    def _say(self, line: bytes) -> None:
        try:
            asked = json.loads(line)
        except ValueError:
            asked = None
        answer = (
            self._answer(asked)
            if isinstance(asked, dict)
            else {"error": "one JSON object a line is expected"}
        )
        self._link.setblocking(True)
        with contextlib.suppress(OSError):
            self._link.sendall(json.dumps(answer).encode() + b"\n")
        with contextlib.suppress(OSError):
            self._link.setblocking(False)

    def close(self) -> None:
        self._link.close()


class TalkPort:
    """Listens on this machine; a connection is answered line by line."""

    def __init__(self, answer: Answer, selector: selectors.BaseSelector) -> None:
        self._answer = answer
        self._selector = selector
        self._talkers: set[_Talker] = set()
        self._listener = socket.create_server(("127.0.0.1", 0))
        self._listener.setblocking(False)
        self.port = int(self._listener.getsockname()[1])
        selector.register(self._listener, selectors.EVENT_READ, self)

    def ready(self, now_s: float) -> None:
        try:
            link, _ = self._listener.accept()
        except OSError:
            return
        link.setblocking(False)
        talker = _Talker(link, self._answer, lambda: self._end(talker))
        self._talkers.add(talker)
        self._selector.register(talker, selectors.EVENT_READ, talker)

    def _end(self, talker: _Talker) -> None:
        self._selector.unregister(talker)
        self._talkers.discard(talker)
        talker.close()

    def close(self) -> None:
        for talker in list(self._talkers):
            self._end(talker)
        self._selector.unregister(self._listener)
        self._listener.close()
