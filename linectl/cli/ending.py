"""How a command that runs until told to stop is told: SIGINT and SIGTERM set an event."""

from __future__ import annotations

import signal
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from types import FrameType

import typer

from linectl.cli.app import INTERRUPTED


class Ending(threading.Event):
    """Set by a signal. `interrupted`: it was a person's Ctrl-C, not a service's stop."""

    interrupted = False

    def signalled(self, number: int, frame: FrameType | None) -> None:
        """The signal handler."""
        self.interrupted = number == signal.SIGINT
        self.set()


@contextmanager
def until_signalled() -> Iterator[Ending]:
    """An event that SIGINT and SIGTERM set; afterwards exit 130 if it was SIGINT."""
    ending = Ending()
    before = {
        number: signal.signal(number, ending.signalled)
        for number in (signal.SIGINT, signal.SIGTERM)
    }
    try:
        yield ending
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)
    if ending.interrupted:
        raise typer.Exit(INTERRUPTED)
