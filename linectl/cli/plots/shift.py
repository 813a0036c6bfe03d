"""The pictures of a recorded shift: waits, takt, gutters in and out, ages by lane."""

from __future__ import annotations

import string

from linectl.cli.plots.ages import ages
from linectl.cli.plots.canvas import drawing, new_figure, svg
from linectl.cli.plots.flow import Said, flow
from linectl.cli.plots.pareto import pareto, pareto_height
from linectl.cli.plots.takt import takt
from linectl.runtime.shift_report import ShiftReport

LANES_DRAWN = 6
"""Lanes in one picture, which then fits a printed page."""
SAYS = {
    "pareto": "Waits of both units by reason, the longest first, with cumulative shares",
    "takt": "Intervals between gutters indexed and between gutters ejected",
    "flow": "Gutters indexed and ejected since the shift began, stands shaded",
    "ages": "Age of the gutter in every slot from mouth to tail, by lane",
}
"""What each picture shows, for those who cannot see it; its table follows in the page."""


def draw(report: ShiftReport, said: Said) -> dict[str, str]:
    """The pictures by name (pareto, takt, flow, ages1 and on), each an `<svg>` to stand in a page.

    `said`: how a time of the shift is written on an axis. Raises ImportError without matplotlib.
    """
    told = report.told
    with drawing():
        heights = {"pareto": pareto_height(told), "takt": 3.6, "flow": 3.6}
        figures = {name: new_figure(height) for name, height in heights.items()}
        pareto(figures["pareto"], told)
        takt(figures["takt"], told["takt"])
        flow(figures["flow"], report, said)
        for first in range(0, len(report.ages), LANES_DRAWN):
            lanes = report.ages[first : first + LANES_DRAWN]
            name = f"ages{first // LANES_DRAWN + 1}"
            figures[name] = new_figure(2.2 * len(lanes) + 0.6)
            ages(figures[name], lanes, report)
        return {
            name: svg(name, SAYS[name.rstrip(string.digits)], figure)
            for name, figure in figures.items()
        }
