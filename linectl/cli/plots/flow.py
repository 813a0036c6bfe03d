"""Gutters in and out since a shift began, cumulated; where a unit stood is shaded."""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING

from linectl.cli.timeline import ticks_s
from linectl.runtime.shift_report import ShiftReport

if TYPE_CHECKING:
    from linectl.cli.plots.canvas import Figure

Said = Callable[[float | None], str]


def flow(figure: Figure, report: ShiftReport, said: Said) -> None:
    """Cumulated steps; a stand of sowing shaded from above, one of harvest from below."""
    axes = figure.subplots()
    end_s = report.told["shift"]["told_s"]
    counted = (report.times_s["sowing"], report.times_s["harvest"])
    top = max(1, *(len(times) for times in counted))
    for stand in report.told["stands"]:
        above = stand["unit"] == "sowing"
        axes.axvspan(stand["from_s"], stand["to_s"], ymin=0.5 if above else 0.0,
                     ymax=1.0 if above else 0.5, facecolor="#e4e4e4" if above else "white",
                     edgecolor="#888", hatch=None if above else "////", linewidth=0.4)  # fmt: skip
    for times, style, text in zip(
        counted, ("-", "--"), ("indexed (in)", "ejected (out)"), strict=True
    ):
        counts = [0, *range(1, len(times) + 1), len(times)]
        axes.step([0.0, *times, end_s], counts, style, where="post", color="#111",
                  linewidth=1.5, label=f"{len(times)} {text}")  # fmt: skip
    axes.bar([0], [0], facecolor="#e4e4e4", edgecolor="#888", label="upper half: sowing stood")
    axes.bar([0], [0], facecolor="white", edgecolor="#888", hatch="////",
             label="lower half: harvest stood")  # fmt: skip
    marks = ticks_s(end_s)
    axes.set_xticks(list(marks), [said(at_s) for at_s in marks])
    axes.set_xlim(0, end_s)
    axes.set_ylim(0, top * 1.05)
    axes.set_ylabel("gutters since the shift began")
    axes.legend(fontsize=8.5, loc="upper left", frameon=True, framealpha=1, edgecolor="white")
