"""How far each analogue read from its reference at checkout, up and down, in per cent of the span.

One small picture a point, side by side; going up and going down differ in mark and in fill.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING

from linectl.cli.plots import canvas

if TYPE_CHECKING:
    from linectl.cli.plots.canvas import Axes
    from linectl.commission.checkout.sheet import Reading

ABREAST = 4
HEIGHT_IN = 1.9
"""Of a row of pictures."""
LEAST_PERCENT = 1.0
"""The axis goes at least so far both ways, so that noise does not look like a fault."""
LOOKS: Mapping[str, tuple[str, str, str]] = {
    "up": ("^", "black", "going up"),
    "down": ("v", "white", "going down"),
}
SAYS = "Error of each analogue against its reference, in per cent of the span, up and down"


def draw_errors(points: Mapping[str, Sequence[Reading]]) -> str:
    """The pictures as one `<svg>`; `points`: tag → readings. Empty without two references."""
    drawn = {tag: readings for tag, readings in points.items() if span_of(readings)}
    if not drawn:
        return ""
    lines = -(-len(drawn) // ABREAST)
    with canvas.drawing():
        figure = canvas.new_figure(HEIGHT_IN * lines + 0.35)
        every = list(figure.subplots(lines, ABREAST, squeeze=False).flat)
        for axes, (tag, readings) in zip(every, drawn.items(), strict=False):
            _errors(axes, tag, readings)
        for axes in every[len(drawn) :]:
            axes.set_axis_off()
        figure.legend(
            handles=[
                canvas.legend_row(linestyle="", marker=mark, markerfacecolor=fill,
                                  markeredgecolor="black", label=name)
                for mark, fill, name in LOOKS.values()
            ],
            loc="outside lower center", ncols=len(LOOKS),
        )  # fmt: skip
        return canvas.svg("errors", SAYS, figure)


def span_of(readings: Sequence[Reading]) -> float:
    """From the least reference to the greatest; 0 without two."""
    references = [one.reference for one in readings]
    return max(references) - min(references) if references else 0.0


def _errors(axes: Axes, tag: str, readings: Sequence[Reading]) -> None:
    span = span_of(readings)
    axes.axhline(0, color="#111", linewidth=0.8)
    for way, (mark, fill, _) in LOOKS.items():
        some = [one for one in readings if one.way == way]
        axes.plot([one.reference for one in some], [100 * one.error / span for one in some],
                  marker=mark, color="black", markerfacecolor=fill, linewidth=0.8,
                  linestyle="-" if way == "up" else "--", markersize=4.5)  # fmt: skip
    most = max(LEAST_PERCENT, *(abs(100 * one.error / span) for one in readings)) * 1.15
    axes.set_ylim(-most, most)
    axes.set_title(tag)
    axes.set_ylabel("error, % of span")
