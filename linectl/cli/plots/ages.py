"""Age of the gutter in every slot, mouth to tail, by lane; who is ahead or behind its pace."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any

from linectl.cli.plots.canvas import legend_row
from linectl.crop.pace import DAY_MS, Pace, tolerance_ms
from linectl.runtime.lane_ages import LaneAges, SlotAge
from linectl.runtime.shift_report import ShiftReport

if TYPE_CHECKING:
    from linectl.cli.plots.canvas import Axes, Figure

CROPS_NAMED = 2
"""Crops for which there is room above a lane's strip."""
MARKS: Mapping[Pace, tuple[str, str, float, str]] = {
    Pace.ON_PACE: (".", "#777", 3.0, "on its pace"),
    Pace.AHEAD: ("v", "white", 4.5, "ahead: younger than its slot is due (empty, points down)"),
    Pace.BEHIND: ("^", "#111", 4.5, "behind: older than its slot is due (filled, points up)"),
}
"""Marker, fill, size and words of each pace."""


def ages(figure: Figure, lanes: Sequence[LaneAges], report: ShiftReport) -> None:
    """Two strips per lane, slots from mouth to tail: ages, and how far they are from due."""
    heights = {"height_ratios": [3, 1.6] * len(lanes)}
    panels = figure.subplots(2 * len(lanes), 1, squeeze=False, gridspec_kw=heights)[:, 0]
    slots = [slot for lane in report.ages for slot in lane.slots]  # one scale for all lanes
    stands = {slot.crop for slot in slots if slot.due_days is not None}
    oldest = max((slot.days or 0.0 for slot in slots), default=0.0)
    oldest = max(oldest, *(report.days[crop][0] for crop in stands), 0.0) or 1.0
    tolerance = max((_tolerance(report.days[crop]) for crop in stands), default=1.0)
    farthest = max(1.6 * tolerance, *(1.1 * abs(_late(slot)) for slot in slots))
    for number, lane in enumerate(lanes):
        above, below = panels[2 * number], panels[2 * number + 1]
        strip(above, lane, report.days, -0.1 * oldest)
        above.set_ylim(-0.2 * oldest, oldest * 1.12)
        _lateness(below, lane, farthest, tolerance)
        for axes in (above, below):
            axes.set_xlim(-2, len(lane.slots) + 1)
            for joint in lane.joints:
                axes.axvline(joint - 0.5, color="#999", linewidth=0.8)
        above.tick_params(labelbottom=False)
    panels[-1].set_xlabel("slot, mouth on the left, tail on the right")
    handles, labels = ages_legend()
    figure.legend(handles, labels, loc="outside upper left", ncols=3, fontsize=8.5)


def strip(
    axes: Axes, lane: LaneAges, days: Mapping[str, tuple[float, float]], below: float
) -> None:  # fmt: skip
    """A lane's ages by slot over its crops' lines. days: by crop, its days and the age from which
    it is ripe; below: where on the scale holes and unknown ones are marked."""
    axes.set_title(_lane_words(lane), fontsize=9)
    crops = list(dict.fromkeys(slot.crop for slot in lane.slots if slot.due_days is not None))
    axes.set_title(_crop_words(crops, days), fontsize=8, loc="right", fontweight="normal")
    for crop in crops:
        slots = [s for s in lane.slots if s.crop == crop and s.due_days is not None]
        _crop_lines(axes, slots, days[crop])
    for pace, (marker, fill, size, _) in MARKS.items():
        there = [slot for slot in lane.slots if slot.pace is pace]
        axes.plot([s.place for s in there], [s.days or 0.0 for s in there], marker,
                  markersize=size, markerfacecolor=fill, markeredgecolor="#333",
                  markeredgewidth=0.5)  # fmt: skip
    for state, marker in (("hole", "s"), ("unknown", "x")):
        places = [s.place for s in lane.slots if s.state == state]
        axes.plot(places, [below] * len(places), marker, markersize=5, markerfacecolor="white",
                  markeredgecolor="#111", markeredgewidth=1.1)  # fmt: skip
    axes.axhline(0, color="#444", linewidth=0.6)
    axes.set_ylabel("age, days", fontsize=8)


def _lateness(axes: Axes, lane: LaneAges, most: float, tolerance: float) -> None:
    """Bars from the zero line: up and dark where a gutter is behind, down and empty if ahead."""
    places = [slot.place for slot in lane.slots]
    late = [_late(slot) for slot in lane.slots]
    axes.fill_between(places, [max(days, 0.0) for days in late], step="mid", facecolor="#333",
                      linewidth=0)  # fmt: skip
    axes.fill_between(places, [min(days, 0.0) for days in late], step="mid", facecolor="white",
                      edgecolor="#333", hatch="////", linewidth=0.5)  # fmt: skip
    for days in (tolerance, -tolerance):
        axes.axhline(days, color="#111", linestyle=":", linewidth=0.8)
    axes.axhline(0, color="#444", linewidth=0.6)
    axes.set_ylim(-most, most)
    axes.set_ylabel("+ behind\n− ahead", fontsize=8)


def _tolerance(days: tuple[float, float]) -> float:
    """In days, of a crop."""
    return tolerance_ms(days[0] * DAY_MS) / DAY_MS


def _late(slot: SlotAge) -> float:
    """Days by which a gutter is older than its slot is due; 0 where nobody knows."""
    return 0.0 if slot.days is None or slot.due_days is None else slot.days - slot.due_days


def _crop_lines(axes: Axes, slots: Sequence[SlotAge], days: tuple[float, float]) -> None:
    """From the first gutter of a crop to the last: its days, ripe from, and even pace."""
    ends = [slots[0].place - 0.5, slots[-1].place + 0.5]
    whole, ripe = days
    axes.plot(ends, [whole, whole], "-", color="#111", linewidth=1.0)
    axes.plot(ends, [ripe, ripe], "--", color="#111", linewidth=0.8)
    axes.plot([s.place for s in slots], [s.due_days or 0.0 for s in slots], ":", color="#111",
              linewidth=1.0)  # fmt: skip


def _crop_words(crops: Sequence[str], days: Mapping[str, tuple[float, float]]) -> str:
    if len(crops) > CROPS_NAMED:
        whole = [days[crop][0] for crop in crops]
        return f"{len(crops)} crops of {min(whole):.3g} to {max(whole):.3g} days"
    named = (f"{crop} {days[crop][0]:.3g} ({days[crop][1]:.3g})" for crop in crops)
    return "days (ripe from): " + ", ".join(named)


def _lane_words(lane: LaneAges) -> str:
    told = lane.summary()
    words = f"lane {lane.lane}: {told['ahead']} ahead, {told['behind']} behind,"
    words += f" holes {told['holes']}, unknown {told['unknown']}"
    return words + ("" if told["tail_days"] is None else f"; tail {told['tail_days']:.1f} days")


def ages_legend() -> tuple[list[Any], list[str]]:
    """What marks and lines of a strip mean: handles and words."""
    rows: list[tuple[Any, str]] = [
        (legend_row(linestyle="", marker=marker, markersize=size + 1, markerfacecolor=fill,
                markeredgecolor="#333", markeredgewidth=0.5), words)
        for marker, fill, size, words in MARKS.values()
    ]  # fmt: skip
    for style, words in (("-", "crop's days"), ("--", "ripe from"), (":", "even pace")):
        rows.append((legend_row(linestyle=style, color="#111", linewidth=1.0), words))
    for marker, words in (("s", "hole"), ("x", "unknown: nobody has named it")):
        rows.append((legend_row(linestyle="", marker=marker, markersize=5,
                            markerfacecolor="white", markeredgecolor="#111"), words))  # fmt: skip
    return [row[0] for row in rows], [row[1] for row in rows]
