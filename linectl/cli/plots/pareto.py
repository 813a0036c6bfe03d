"""Waits of both units as a Pareto: minutes by reason, and the line of cumulative shares."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any

from linectl.runtime.account import UNITS

if TYPE_CHECKING:
    from linectl.cli.plots.canvas import Axes, Figure

REASONS_DRAWN = 7
"""Reasons in a Pareto; what is left is one more bar. The table has all."""
SHARE_DRAWN = 0.01
REASON_LETTERS = 60


def pareto_height(told: Mapping[str, Any]) -> float:
    bars = sum(max(1, len(_few(_of(told["pareto"], unit)))) for unit in UNITS)
    return 0.29 * bars + 2.0


def _of(rows: Sequence[Mapping[str, Any]], unit: str) -> list[Mapping[str, Any]]:
    return [row for row in rows if row["unit"] == unit]


def pareto(figure: Figure, told: Mapping[str, Any]) -> None:
    """Bars from the top down, and the line of cumulative shares over them."""
    rows = {unit: _few(_of(told["pareto"], unit)) for unit in UNITS}
    heights = [max(1, len(rows[unit])) + 1.6 for unit in UNITS]
    both = figure.subplots(2, 1, sharex=True, gridspec_kw={"height_ratios": heights})
    longest = max((row["all_s"] for each in rows.values() for row in each), default=60) / 60
    for axes, unit in zip(both, UNITS, strict=True):
        _pareto_of(axes, unit, rows[unit], longest)
    both[1].set_xlabel("minutes")


def _pareto_of(axes: Axes, unit: str, rows: Sequence[Mapping[str, Any]], longest: float) -> None:
    axes.set_title(f"{unit}: minutes waited, and cumulative share (line, scale on top)")
    axes.set_xlim(0, longest * 1.12 or 1)
    if not rows:
        axes.set_yticks([])
        axes.text(0.02 * longest, 0, "did not wait", va="center")
        return
    for place, row in enumerate(rows):
        short = row["state"] == "Execute"
        look = {"facecolor": "white", "hatch": "////"} if short else {"facecolor": "#b5b5b5"}
        axes.barh(place, row["all_s"] / 60, height=0.68, edgecolor="#222", linewidth=0.8, **look)
    axes.set_yticks(range(len(rows)), [_label(row) for row in rows])
    axes.set_ylim(len(rows) - 0.4, -0.6)
    share = axes.twiny()
    share.set_xlim(0, 112)
    share.set_xticks([0, 50, 100], ["0 %", "50 %", "100 %"], fontsize=8)
    share.spines["top"].set_visible(True)
    share.plot([100 * row["cumulative"] for row in rows], range(len(rows)), "-o", color="#111",
               linewidth=1.1, markersize=4.5, markerfacecolor="white")  # fmt: skip


def _few(rows: list[Mapping[str, Any]]) -> list[Mapping[str, Any]]:
    """The reasons that are drawn, and one row for the rest."""
    drawn = [row for row in rows[:REASONS_DRAWN] if row["share"] >= SHARE_DRAWN]
    rest = rows[len(drawn) :]
    if len(rest) < 2:
        return rows
    other = {
        "state": "", "reason": f"{len(rest)} other reasons", "cumulative": 1.0,
        "all_s": sum(row["all_s"] for row in rest),
    }  # fmt: skip
    return [*drawn, other]


def _label(row: Mapping[str, Any]) -> str:
    state = {"Execute": "short: ", "": ""}.get(row["state"], f"{row['state']}: ")
    text: str = state + row["reason"]
    return text if len(text) <= REASON_LETTERS else text[: REASON_LETTERS - 1] + "…"
