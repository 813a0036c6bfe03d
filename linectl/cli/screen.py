"""Where things are printed: results on standard output, everything else on standard error."""

from __future__ import annotations

import json
import sys
from collections.abc import Iterable, Iterator, Mapping
from contextlib import contextmanager
from typing import Any

from rich.box import SIMPLE_HEAD
from rich.console import Console, JustifyMethod
from rich.progress import BarColumn, TextColumn, TimeRemainingColumn
from rich.progress import Progress as Bar
from rich.table import Table
from rich.text import Text

from linectl.runtime.rehearsal import Progress
from linectl.site.durations import format_duration

PIPE_COLUMNS = 120
"""Width when the output is no terminal, so that reasons are not cut into shreds."""
NARROW_COLUMNS = 100
"""On a narrower terminal the columns of a table move closer together."""


class _Screen(Console):
    """A console that says when its reader has gone, instead of ending with a code of its own."""

    def on_broken_pipe(self) -> None:
        raise BrokenPipeError


def _console(stderr: bool) -> Console:
    stream = sys.stderr if stderr else sys.stdout
    width = None if stream.isatty() else PIPE_COLUMNS
    return _Screen(stderr=stderr, markup=False, highlight=False, width=width)


def error_console() -> Console:
    """Standard error, for what shows progress."""
    return _console(stderr=True)


def width() -> int:
    """Columns that a result may take."""
    return _console(stderr=False).width


def say(*parts: Any, soft_wrap: bool = False) -> None:
    """Print a result; `soft_wrap` leaves long lines whole, for what is copied from the screen."""
    _console(stderr=False).print(*parts, soft_wrap=soft_wrap)


def complain(text: str) -> None:
    """Print an error or a remark on standard error, as it is, without wrapping."""
    _console(stderr=True).print(text, soft_wrap=True)


def say_json(value: Mapping[str, Any]) -> None:
    """Print one JSON object on one line of standard output."""
    try:
        sys.stdout.write(json.dumps(value, ensure_ascii=False) + "\n")
        sys.stdout.flush()
    except BrokenPipeError:
        raise BrokenPipeError from None  # with its number, click would end with a 1: a verdict


def heading(text: str) -> Text:
    """A line that begins a part of a result."""
    return Text(text, style="bold")


def table(columns: str, rows: Iterable[Iterable[object]]) -> Table:
    """A plain table; a column whose name begins with `>` is aligned right."""
    made = Table(box=SIMPLE_HEAD, pad_edge=False, show_edge=False, header_style="")
    if width() < NARROW_COLUMNS:
        made.padding = (0, 1, 0, 0)
    for name in columns.split("|"):
        justify: JustifyMethod = "right" if name.startswith(">") else "left"
        # Folded, never cut: half an address or half a tag is none.
        made.add_column(name.lstrip(">"), justify=justify, overflow="fold")
    for row in rows:
        made.add_row(*("–" if cell is None else str(cell) for cell in row))
    return made


def clock(seconds: float | None) -> str:
    """A time of the run as a person reads it: 1:02:03 or 02:03; "end" if it has none."""
    if seconds is None:
        return "end"
    minutes, rest = divmod(int(seconds), 60)
    hours, minutes = divmod(minutes, 60)
    return f"{hours}:{minutes:02d}:{rest:02d}" if hours else f"{minutes:02d}:{rest:02d}"


def span(seconds: float) -> str:
    """A duration in whole seconds: 12m30s."""
    return format_duration(round(seconds) * 1000)


@contextmanager
def progress(what: str, total_ms: int) -> Iterator[Progress]:
    """A bar on standard error while something long runs; nothing at all when it is no terminal."""
    console = _console(stderr=True)
    if not console.is_terminal:
        yield lambda done_ms, total_ms: None
        return
    columns = (
        TextColumn("{task.description}"),
        BarColumn(),
        TextColumn("{task.fields[clock]} of " + clock(total_ms / 1000)),
        TimeRemainingColumn(),
    )
    with Bar(*columns, console=console, transient=True) as bar:
        task = bar.add_task(what, total=total_ms, clock=clock(0))

        def tell(done_ms: int, total_ms: int) -> None:
            bar.update(task, completed=done_ms, total=total_ms, clock=clock(done_ms / 1000))

        yield tell
