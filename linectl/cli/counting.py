"""A bar on standard error while something is counted up; nothing when it is no terminal."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager

from rich.progress import BarColumn, MofNCompleteColumn, TextColumn
from rich.progress import Progress as Bar

from linectl.cli.screen import error_console


@contextmanager
def counting() -> Iterator[Callable[[str, int, int], None]]:
    """Gives a function to be told what is being done, how much of it, of how much."""
    console = error_console()
    if not console.is_terminal:
        yield lambda what, done, total: None
        return
    columns = (BarColumn(bar_width=24), MofNCompleteColumn(), TextColumn("{task.description}"))
    with Bar(*columns, console=console, transient=True) as bar:
        task = bar.add_task("", total=1)

        def tell(what: str, done: int, total: int) -> None:
            bar.update(task, description=what, completed=done, total=total)

        yield tell
