"""A person at a terminal, for the guided tools: questions on lines, a bell when they are to act."""

from __future__ import annotations

import signal
import sys
import textwrap
from collections.abc import Iterator
from contextlib import contextmanager
from types import FrameType

from rich.panel import Panel
from rich.text import Text

from linectl.cli.screen import say, width
from linectl.commission.person import FieldAct

BELL = "\a"
FROM_AFAR = ("operate", "release", "hold", "let_go")
"""Acts at a device away from the screen: they stand in a box that is seen from there."""


class Terminal:
    """Someone at a terminal, or a script on standard input that ends with `q`."""

    def __init__(self) -> None:
        self._asking = False
        self._broke_off = False

    def say(self, text: str) -> None:
        say(Text(folded(text)), soft_wrap=True)

    def about(self, name: str) -> None:
        """The screen says it already."""

    def ask(self, question: str) -> str:
        sys.stdout.write(folded(question))
        sys.stdout.flush()
        self._asking = True
        try:
            line = sys.stdin.readline()
        finally:
            self._asking = False
        return line.rstrip("\n") if line else "q"

    def act(self, act: FieldAct) -> None:
        """The bell, and what is to be done now so that it is read from the machine's side."""
        if sys.stdout.isatty():
            sys.stdout.write(BELL)
            sys.stdout.flush()
        room = (1, 2) if act.kind in FROM_AFAR else (0, 2)
        say(Panel(Text(act.text, style="bold", justify="center"), padding=room))

    def enough(self) -> bool:
        broke_off, self._broke_off = self._broke_off, False
        return broke_off

    def interrupt(self, number: int, frame: FrameType | None) -> None:
        """Ctrl-C: at a question it ends the command, in a watch it breaks that off."""
        if self._asking:
            raise KeyboardInterrupt
        self._broke_off = True


@contextmanager
def at_terminal() -> Iterator[Terminal]:
    """Ctrl-C is the person's for as long as it lasts."""
    person = Terminal()
    before = signal.signal(signal.SIGINT, person.interrupt)
    try:
        yield person
    finally:
        signal.signal(signal.SIGINT, before)


def folded(text: str) -> str:
    """Folded between words to a terminal's width, what goes on set in; whole where it is none."""
    if not sys.stdout.isatty():
        return text
    lines = []
    for line in text.split("\n"):
        ends = line[len(line.rstrip(" ")) :]
        indent = " " * (len(line) - len(line.lstrip(" ")) + 2)
        made = textwrap.wrap(
            line, width() - 1, subsequent_indent=indent, break_long_words=False,
            break_on_hyphens=False,
        )  # fmt: skip
        lines.append("\n".join(made) + ends)
    return "\n".join(lines)
