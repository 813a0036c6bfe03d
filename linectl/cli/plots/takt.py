"""Intervals between gutters indexed and between gutters ejected, as histograms."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

from linectl.runtime.account import UNITS

if TYPE_CHECKING:
    from linectl.cli.plots.canvas import Figure


def takt(figure: Figure, told: Mapping[str, Any]) -> None:
    """Both units side by side on one scale of time."""
    for axes, unit, what in zip(
        figure.subplots(1, 2, sharex=True), UNITS, ("indexed", "ejected"), strict=True
    ):
        found = told[unit]
        starts = [row["from_s"] for row in found["classes"]]
        widths = [row["to_s"] - row["from_s"] for row in found["classes"]]
        clear = [row["count"] for row in found["classes"]]
        short = [row["with_short_wait"] for row in found["classes"]]
        axes.bar(starts, clear, widths, align="edge", facecolor="#b5b5b5", edgecolor="#222",
                 linewidth=0.6, label=f"outside waits ({found['intervals']})")  # fmt: skip
        axes.bar(starts, short, widths, bottom=clear, align="edge", facecolor="white",
                 edgecolor="#222", linewidth=0.6, hatch="////",
                 label=f"with a short wait ({found['with_short_wait']['intervals']})")  # fmt: skip
        axes.axvline(told["possible_s"], color="#111", linestyle="--", linewidth=1.2,
                     label=f"possible takt {told['possible_s']:.1f} s")  # fmt: skip
        for key, style in (("median", "-"), ("p95", ":")):
            value = found[f"{key}_s"]
            if value is not None:
                axes.axvline(value, color="#111", linestyle=style, linewidth=1.4,
                             label=f"{key} outside waits {value:.1f} s")  # fmt: skip
        axes.set_title(f"{unit}: from gutter {what} to gutter {what}")
        axes.set_xlabel("seconds")
        axes.set_ylabel("intervals")
        axes.yaxis.get_major_locator().set_params(integer=True)
        axes.legend(fontsize=8, loc="upper center", bbox_to_anchor=(0.5, -0.2), ncols=2)
