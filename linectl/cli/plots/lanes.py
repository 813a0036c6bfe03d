"""Lanes drawn: the age of each gutter by slot against the even pace, and density over age."""

from __future__ import annotations

from typing import TYPE_CHECKING

from linectl.cli.plots.ages import ages_legend, strip
from linectl.cli.plots.canvas import drawing, new_figure, svg
from linectl.crop.pace import DAY_MS
from linectl.runtime.lane_look import LaneLook
from linectl.runtime.lane_pace import LanePace

if TYPE_CHECKING:
    from linectl.cli.plots.canvas import Axes

SAYS = "Age of the gutter in every slot from mouth to tail, by lane; plants per m² over age"
LINES = ("-", "--", ":", "-.")
MARKS = ("o", "s", "^", "D", "v", "x")
MARKED_EVERY = 0.13
"""Of a line's length on the page, so that every line shows its mark."""


def draw_lanes(seen: LaneLook) -> str:
    """The picture as an `<svg>`. Raises ImportError without matplotlib."""
    days = {
        name: (crop.days_ms / DAY_MS, crop.ripe_after_ms / DAY_MS)
        for name, crop in seen.crops.items()
    }
    ages = [slot.days or 0.0 for lane in seen.lanes for slot in lane.ages.slots]
    stand = {slot.crop for lane in seen.lanes for slot in lane.ages.slots} & set(days)
    oldest = max(0.0, *ages, *(days[crop][0] for crop in stand)) or 1.0
    with drawing():
        figure = new_figure(1.5 * len(seen.lanes) + 3.6)
        heights = [1.5] * len(seen.lanes) + [2.4]
        panels = figure.subplots(len(heights), 1, squeeze=False,
                                 gridspec_kw={"height_ratios": heights})[:, 0]  # fmt: skip
        for axes, lane in zip(panels, seen.lanes, strict=False):
            strip(axes, lane.ages, days, -0.1 * oldest)
            axes.set_ylim(-0.2 * oldest, oldest * 1.12)
            axes.set_xlim(-2, len(lane.ages.slots) + 1)
            for joint in lane.ages.joints:
                axes.axvline(joint - 0.5, color="#999", linewidth=0.8)
        panels[len(seen.lanes) - 1].set_xlabel("slot, mouth on the left, tail on the right")
        _density(panels[-1], seen.lanes)
        figure.legend(*ages_legend(), loc="outside upper left", ncols=3, fontsize=8.5)
        return svg("lanes", SAYS, figure)


def _density(axes: Axes, lanes: tuple[LanePace, ...]) -> None:
    """One line for each crop and shape of lane; lanes that are alike share theirs."""
    alike: dict[tuple[tuple[float, float], ...], list[LanePace]] = {}
    for lane in lanes:
        key = tuple((slot.age_days, slot.plants_m2) for slot in lane.along)
        alike.setdefault(key, []).append(lane)
    for number, (line, group) in enumerate(alike.items()):
        ids = ", ".join(str(lane.ages.lane) for lane in group)
        words = f"{group[0].crop.replace('_', ' ')} (lane{'s' if len(group) > 1 else ''} {ids})"
        axes.plot([age for age, _ in line], [plants for _, plants in line],
                  LINES[number % len(LINES)], drawstyle="steps-mid", color="#111", linewidth=1.2,
                  marker=MARKS[number % len(MARKS)], markersize=4.5, markerfacecolor="white",
                  markevery=(0.02 * (number % 5), MARKED_EVERY), label=words)  # fmt: skip
    axes.set_title("plants per m² of deck over age, at an even pace")
    axes.set_ylim(bottom=0)
    axes.set_xlim(left=0)
    axes.set_xlabel("age, days")
    axes.set_ylabel("plants per m²", fontsize=8)
    axes.legend(fontsize=8.5, loc="upper right")
