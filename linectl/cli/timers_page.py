"""Writes the page of `linectl calibrate SITE timers`: FILE.html with the picture and the tables."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Any

from jinja2 import Environment, PackageLoader, StrictUndefined

from linectl import __version__
from linectl.cli import timers_text
from linectl.cli.plots import canvas
from linectl.cli.plots import step_times as picture
from linectl.cli.screen import clock, span
from linectl.cli.shift import trial
from linectl.errors import Unreachable


def check_can_draw(path: Path) -> None:
    """Raises Unreachable if no picture can be drawn."""
    if not canvas.can_draw():
        raise Unreachable(
            f"{path}: pictures need the extra `{canvas.EXTRA}` (matplotlib): "
            f"pip install 'linectl[{canvas.EXTRA}]'"
        )


def write_page(path: Path, told: Mapping[str, Any]) -> None:
    """The page. Raises Unreachable if it cannot be written."""
    seen = [one for one in told["steps"] if one["n"]]
    with canvas.drawing():
        figure = canvas.new_figure(picture.height_in(seen))
        picture.step_times(figure, seen, {one["path"]: one for one in told["timeouts"]})
        drawn = canvas.svg("steps", picture.SAYS, figure)
    environment = Environment(
        loader=PackageLoader("linectl.cli", "pages"), autoescape=True, undefined=StrictUndefined
    )
    # The tables' file has macros of shifts beside the one used here; their filters must be known.
    environment.filters |= {"clock": clock, "span": span, "trial": trial}
    page = environment.get_template("timers.html").render(
        told=told, drawn=drawn, shown=timers_text, version=__version__
    )
    try:
        path.write_text(page, encoding="utf-8")
    except OSError as error:
        raise Unreachable(f"{path}: cannot be written ({error.strerror})") from error
