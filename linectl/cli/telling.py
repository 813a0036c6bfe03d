"""Tells what the controller does from a thread of its own, so that no reader can delay the scan.

A pipe that nobody empties blocks whoever writes to it. So the scan only queues what is to be told;
what finds the queue full is not told, and `status` still answers.
"""

from __future__ import annotations

import contextlib
import os
import queue
import sys
import threading
from collections.abc import Callable, Mapping
from typing import Any, Self

from linectl.cli.screen import complain

Status = Mapping[str, Any]
WAITING_MAX = 200
"""Statuses that wait for a slow reader; beyond them the newest are left out."""
END_S = 1.0
"""So long the last words may take once the line has ended."""


class Telling:
    """Call it with a status; `with` begins its thread and ends it."""

    def __init__(self, tell: Callable[[Status], None]) -> None:
        self._tell = tell
        self._waiting: queue.Queue[Status | None] = queue.Queue(WAITING_MAX)
        self._thread = threading.Thread(target=self._run, name="telling", daemon=True)
        self._untold = False

    def __call__(self, status: Status) -> None:
        """For the scan's thread: returns at once."""
        with contextlib.suppress(queue.Full):
            self._waiting.put_nowait(status)

    def __enter__(self) -> Self:
        self._thread.start()
        return self

    def __exit__(self, *unused: object) -> None:
        with contextlib.suppress(queue.Full):
            self._waiting.put_nowait(None)
        self._thread.join(END_S)
        if self._thread.is_alive():
            # It stands in a write that may never end: the way out of Python must not flush there.
            sys.stdout = open(os.devnull, "w", encoding="utf-8")  # noqa: SIM115

    def _run(self) -> None:
        while (status := self._waiting.get()) is not None:
            if self._untold:
                continue
            try:
                self._tell(status)
                sys.stdout.flush()
            except OSError as error:
                self._untold = True
                # What waits to be written goes nowhere, or Python would fail at it as it ends.
                os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
                with contextlib.suppress(OSError):
                    complain(
                        f"standard output takes no more ({error.strerror}): the line goes on untold"
                    )
