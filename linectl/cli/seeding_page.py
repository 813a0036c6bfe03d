"""Writes the pictures of `linectl seeding`: FILE.svg, FILE.png, or FILE.html with its tables."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

from jinja2 import Environment, PackageLoader, StrictUndefined

from linectl import __version__
from linectl.cli import seeding_text
from linectl.cli.plots import canvas
from linectl.cli.plots import seeding as pictures
from linectl.cli.screen import clock, span
from linectl.cli.shift import trial
from linectl.errors import Unreachable, UsageError

if TYPE_CHECKING:
    from linectl.cli.plots.canvas import Figure

KINDS = (".svg", ".png", ".html")


def check_kind(path: Path) -> None:
    """Raises UsageError for a name of no known kind, Unreachable if none can be drawn."""
    if path.suffix.lower() not in KINDS:
        raise UsageError(f"{path}: the name tells the kind of picture; write one of FILE.svg, "
                         "FILE.png, FILE.html")  # fmt: skip
    if not canvas.can_draw():
        raise Unreachable(
            f"{path}: pictures need the extra `{canvas.EXTRA}` (matplotlib): "
            f"pip install 'linectl[{canvas.EXTRA}]'"
        )


def write_picture(path: Path, told: Mapping[str, Any], spacings_mm: Sequence[float]) -> None:
    """Draw what was told. A page has every picture and table, a picture file the first picture:
    spacings or seeds per cell. Raises Unreachable if the file cannot be written."""
    with canvas.drawing():
        figures = _figures(told, spacings_mm)
        name, figure = next(iter(figures.items()))
        kind = path.suffix.lower()
        if kind == ".png":
            data = canvas.png(figure)
        elif kind == ".svg":
            data = _alone(canvas.svg(name, pictures.SAYS[name], figure)).encode()
        else:
            drawn = {
                key: canvas.svg(key, pictures.SAYS[key], each) for key, each in figures.items()
            }
            data = _page(told, drawn).encode()
    try:
        path.write_bytes(data)
    except OSError as error:
        raise Unreachable(f"{path}: cannot be written ({error.strerror})") from error


def _figures(told: Mapping[str, Any], spacings_mm: Sequence[float]) -> dict[str, Figure]:
    """What there is to draw, the main picture first."""
    if "distribution" in told:
        figure = canvas.new_figure(4.2)
        by_seeds = {int(seeds): count for seeds, count in told["distribution"].items()}
        pictures.cells(figure, by_seeds, told["wanted"])
        return {"cells": figure}
    figures = {"spacings": canvas.new_figure(4.2)}
    pictures.spacings(figures["spacings"], spacings_mm, told["spacing_mm"])
    judged = [row for row in told.get("by_vacuum", ()) if row["quality_of_feed"] is not None]
    if len(judged) > 1:
        figures["vacuum"] = canvas.new_figure(3.8)
        pictures.vacuum(figures["vacuum"], judged)
    return figures


def _alone(svg: str) -> str:
    """An `<svg>` as a file of its own."""
    return '<?xml version="1.0" encoding="utf-8"?>\n' + svg


def _page(told: Mapping[str, Any], drawn: Mapping[str, str]) -> str:
    environment = Environment(
        loader=PackageLoader("linectl.cli", "pages"), autoescape=True, undefined=StrictUndefined
    )
    # The tables' file has macros of shifts beside the one used here; their filters must be known.
    environment.filters |= {"clock": clock, "span": span, "trial": trial}
    return environment.get_template("seeding.html").render(
        told=told, drawn=drawn, shown=seeding_text, version=__version__
    )
