"""A bar on standard error while something is counted up; nothing when it is no terminal."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager

from rich.progress import BarColumn, MofNCompleteColumn, TextColumn
from rich.progress import Progress as Bar

from linectl.cli.screen import error_console


class Counting:
    """Call it with what is being done, how much of it is done, of how much."""

    def __init__(self, bar: Bar | None) -> None:
        self._bar = bar
        self._task = bar.add_task("", total=1) if bar else None

    def __call__(self, what: str, done: int, total: int) -> None:
        if self._bar is not None and self._task is not None:
            self._bar.update(self._task, description=what, completed=done, total=total)

    @contextmanager
    def paused(self) -> Iterator[None]:
        """Out of the way while a person is asked something."""
        if self._bar is None:
            yield
            return
        self._bar.stop()
        try:
            yield
        finally:
            self._bar.start()


@contextmanager
def counting() -> Iterator[Counting]:
    """The bar, gone when it is done."""
    console = error_console()
    if not console.is_terminal:
        yield Counting(None)
        return
    columns = (BarColumn(bar_width=24), MofNCompleteColumn(), TextColumn("{task.description}"))
    with Bar(*columns, console=console, transient=True) as bar:
        yield Counting(bar)
