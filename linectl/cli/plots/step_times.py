"""What each step took in good cycles, beside its time-out: one row a step."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any

from linectl.cli.plots.canvas import legend_row

if TYPE_CHECKING:
    from linectl.cli.plots.canvas import Figure

ROW_IN = 0.21
"""Height of a row."""
TICKS_S = (0.01, 0.1, 1, 10, 100)
SAYS = "Durations of steps in good cycles, each beside its time-out"


def height_in(steps: Sequence[Mapping[str, Any]]) -> float:
    """How high the figure must be for these steps."""
    return 1.4 + ROW_IN * len(steps)


def step_times(
    figure: Figure, steps: Sequence[Mapping[str, Any]], timeouts: Mapping[str, Mapping[str, Any]]
) -> None:
    """steps: as `StepFound.as_json`, those that were seen; timeouts: by path, as
    `TimeoutFound.as_json`. A logarithmic axis of seconds: a grip and a hand-over stand side by
    side."""
    axes = figure.subplots()
    for place, step in enumerate(steps):
        least, median, p95, most = (
            max(step[name], 1.0) / 1000 for name in ("least", "median", "p95", "most")
        )
        axes.plot([least, most], [place, place], "-", color="#555", linewidth=1.2)
        axes.plot([p95], [place], "|", color="#111", markersize=7)
        filled = "#111" if step["drifted"] else "white"
        axes.plot([median], [place], "o", markersize=5, markerfacecolor=filled,
                  markeredgecolor="#111")  # fmt: skip
        axes.plot([step["timeout_ms"] / 1000] * 2, [place - 0.4, place + 0.4], "-", color="#111",
                  linewidth=2.2)  # fmt: skip
        limit = timeouts.get(step["path"] or "")
        if limit is not None and limit["proposed_ms"] is not None:
            axes.plot([limit["proposed_ms"] / 1000], [place], "<", markersize=5.5,
                      markerfacecolor="#999", markeredgecolor="#111")  # fmt: skip
        if limit is not None and limit["jam_limit_ms"] is not None:
            axes.plot([limit["jam_limit_ms"] / 1000], [place], "x", color="#111", markersize=6)
    axes.set_yticks(range(len(steps)), [step["step"] for step in steps], fontsize=7.5)
    axes.set_ylim(len(steps) - 0.3, -0.7)
    axes.set_xscale("log")
    axes.set_xticks(TICKS_S, [f"{tick:g}" for tick in TICKS_S])
    longest = max((step["timeout_ms"] for step in steps), default=1_000)
    axes.set_xlim(TICKS_S[0] * 0.8, longest / 1000 * 1.6)
    axes.set_xlabel("seconds (logarithmic)")
    axes.grid(axis="x", color="#ddd", linewidth=0.6)
    figure.legend(*_legend(), loc="outside upper left", ncols=3, fontsize=8)


def _legend() -> tuple[list[Any], list[str]]:
    looks: list[tuple[Mapping[str, Any], str]] = [
        ({"linestyle": "-", "color": "#555"}, "shortest to longest"),
        ({"linestyle": "", "marker": "o", "markerfacecolor": "white", "markeredgecolor": "#111"},
         "median (filled: drifted since last time)"),
        ({"linestyle": "", "marker": "|", "color": "#111"}, "95 of 100 are not longer"),
        ({"linestyle": "-", "color": "#111", "linewidth": 2.2}, "time-out as it is"),
        ({"linestyle": "", "marker": "<", "markerfacecolor": "#999", "markeredgecolor": "#111"},
         "proposed"),
        ({"linestyle": "", "marker": "x", "color": "#111"}, "jam limit"),
    ]  # fmt: skip
    return [legend_row(**look) for look, _ in looks], [words for _, words in looks]
