"""The line to a plant model's process beside the wires: what people do there, what bodies say."""

from __future__ import annotations

import json
import os
import queue
import socket
import threading
from contextlib import closing
from pathlib import Path
from typing import Any

from linectl.errors import LinectlError, Unreachable, UsageError

TALK_TIMEOUT_S = 5.0
TALK_QUEUE_MAX = 10_000


class PlantTalk:
    """One talk. `put` and `report` are a rehearsal's: a thread sends what the scan hands over.
    `ask` waits for the answer; use one or the other. Raises Unreachable if nobody listens."""

    def __init__(self, port: int) -> None:
        try:
            self._link = socket.create_connection(("127.0.0.1", port), TALK_TIMEOUT_S)
        except OSError as error:
            raise Unreachable(f"no plant model talks on port {port} ({error})") from error
        self._heard = b""
        self._queue: queue.Queue[dict[str, Any] | None] = queue.Queue(TALK_QUEUE_MAX)
        self._error: str | None = None
        self._thread = threading.Thread(target=self._send, name="talk", daemon=True)
        self._thread.start()

    def put(self, told: dict[str, Any]) -> None:
        """Send without waiting."""
        self._queue.put_nowait(told)

    def report(self) -> dict[str, Any]:
        """Everything put is sent; then the plant's own account. Raises Unreachable."""
        self._queue.put(None)
        self._thread.join(TALK_TIMEOUT_S)
        if self._error:
            raise LinectlError(f"the plant refused what the scenario asked: {self._error}")
        found: dict[str, Any] = self.ask({"report": True})["report"]
        return found

    def close(self) -> None:
        self._queue.put(None)
        self._link.close()

    def _send(self) -> None:
        while (told := self._queue.get()) is not None:
            try:
                answer = self.ask(told)
            except LinectlError as error:
                answer = {"error": str(error)}
            self._error = self._error or answer.get("error")

    def ask(self, told: dict[str, Any]) -> dict[str, Any]:
        """One line there, its answer back. Raises Unreachable if the plant's process has ended."""
        try:
            self._link.sendall(json.dumps(told).encode() + b"\n")
            while b"\n" not in self._heard:
                data = self._link.recv(65_536)
                if not data:
                    raise Unreachable("the plant's process ended")
                self._heard += data
        except OSError as error:
            raise Unreachable(f"the plant's process does not answer ({error})") from error
        line, self._heard = self._heard.split(b"\n", 1)
        answer: dict[str, Any] = json.loads(line)
        return answer


def plant_answers(file: Path) -> None:
    """See that a plant model of this machine answers beside the wires of an endpoints file.

    Raises UsageError if the file names anything but a plant model on this machine, Unreachable if
    it does not answer.
    """
    try:
        told = json.loads(file.read_text(encoding="utf-8"))
        port = int(told["control"])
        here = [
            os.path.realpath(row["path"]).startswith("/dev/pts/")
            if row["path"]
            else row["host"] == "127.0.0.1"
            for row in told["endpoints"]
        ]
    except (OSError, ValueError, TypeError, KeyError, AttributeError) as error:
        raise UsageError(f"{file}: no endpoints of a running plant model ({error!r})") from error
    if not here or not all(here):
        raise UsageError(
            f"{file}: it names devices that are no plant model's on this machine; nothing is"
            " rehearsed on a machine. Nothing was started."
        )
    with closing(PlantTalk(port)) as talk:
        if "places" not in talk.ask({"places": True}):
            raise UsageError(f"{file}: what answers on port {port} is no plant model")
