"""A recorded shift drawn: waits as a Pareto, takt, gutters in and out, ages by lane; SVG text.

The one module that knows matplotlib, and it imports it only when something is drawn: it comes with
the extra `report`, and importing it takes longer than all the rest of a command. Nothing here
needs colour: what differs, differs in shape, hatching or place, so that a page printed in grey
says the same. Text stays text. No window system is asked for: figures are made without pyplot.
"""

from __future__ import annotations

import io
import re
import string
import warnings
from collections.abc import Callable, Mapping, Sequence
from importlib.util import find_spec
from typing import TYPE_CHECKING, Any

from linectl.cli.timeline import ticks_s
from linectl.crop.pace import DAY_MS, Pace, tolerance_ms
from linectl.runtime.account import UNITS
from linectl.runtime.lane_ages import LaneAges, SlotAge
from linectl.runtime.shift_report import ShiftReport

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

EXTRA = "report"
"""The extra that brings matplotlib."""
WIDTH_IN = 10.0
REASONS_DRAWN = 7
"""Reasons in a Pareto; what is left is one more bar. The table has all."""
SHARE_DRAWN = 0.01
CROPS_NAMED = 2
"""Crops for which there is room above a lane's strip."""
LANES_DRAWN = 6
"""Lanes in one picture, which then fits a printed page."""
REASON_LETTERS = 60
SAYS = {
    "pareto": "Waits of both units by reason, the longest first, with cumulative shares",
    "takt": "Intervals between gutters indexed and between gutters ejected",
    "flow": "Gutters indexed and ejected since the shift began, stands shaded",
    "ages": "Age of the gutter in every slot from mouth to tail, by lane",
}
"""What each picture shows, for those who cannot see it; its table follows in the page."""
STYLE: dict[str, Any] = {
    "svg.fonttype": "none",
    "svg.hashsalt": "linectl",  # the same shift gives the same page
    "font.family": "sans-serif",
    "font.size": 9.5,
    "text.parse_math": False,  # a dollar sign in a reason is a dollar sign
    "axes.spines.top": False,
    "axes.spines.right": False,
    "axes.edgecolor": "#444",
    "axes.titlesize": 10,
    "axes.titleweight": "bold",
    "axes.titlelocation": "left",
    "hatch.linewidth": 0.7,
    "legend.frameon": False,
    "figure.constrained_layout.use": True,
}

Said = Callable[[float | None], str]


def can_draw() -> bool:
    """Whether matplotlib is installed."""
    return find_spec("matplotlib") is not None


def draw(report: ShiftReport, said: Said) -> dict[str, str]:
    """The pictures by name (pareto, takt, flow, ages1 and on), each an `<svg>` to stand in a page.

    `said`: how a time of the shift is written on an axis. Raises ImportError without matplotlib.
    """
    import matplotlib as mpl
    from matplotlib.figure import Figure

    told = report.told
    with mpl.rc_context(STYLE), warnings.catch_warnings():
        # Text is measured with a font that need not have all letters, and shown with the reader's.
        warnings.filterwarnings("ignore", message="Glyph .* missing")
        heights = {"pareto": _pareto_height(told), "takt": 3.6, "flow": 3.6}
        figures = {name: Figure(figsize=(WIDTH_IN, height)) for name, height in heights.items()}
        _pareto(figures["pareto"], told)
        _takt(figures["takt"], told["takt"])
        _flow(figures["flow"], report, said)
        for first in range(0, len(report.ages), LANES_DRAWN):
            lanes = report.ages[first : first + LANES_DRAWN]
            name = f"ages{first // LANES_DRAWN + 1}"
            figures[name] = Figure(figsize=(WIDTH_IN, 2.2 * len(lanes) + 0.6))
            _ages(figures[name], lanes, report)
        return {name: _svg(name, figure) for name, figure in figures.items()}


def _svg(name: str, figure: Figure) -> str:
    """The figure's `<svg>` alone; its ids are its own, so that several can stand in one page."""
    file = io.StringIO()
    figure.savefig(file, format="svg", metadata={"Date": None, "Creator": None})
    text = file.getvalue()
    text = text[text.index("<svg") :]
    text = re.sub(r' id="([^"]+)"', rf' id="{name}-\1"', text)
    text = re.sub(r'(href="|url\()#', rf"\1#{name}-", text)
    return text.replace(
        "<svg", f'<svg role="img" aria-label="{SAYS[name.rstrip(string.digits)]}"', 1
    )


def _pareto_height(told: Mapping[str, Any]) -> float:
    bars = sum(max(1, len(_few(_of(told["pareto"], unit)))) for unit in UNITS)
    return 0.29 * bars + 2.0


def _of(rows: Sequence[Mapping[str, Any]], unit: str) -> list[Mapping[str, Any]]:
    return [row for row in rows if row["unit"] == unit]


def _pareto(figure: Figure, told: Mapping[str, Any]) -> None:
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


def _takt(figure: Figure, takt: Mapping[str, Any]) -> None:
    """Both units side by side on one scale of time."""
    for axes, unit, what in zip(
        figure.subplots(1, 2, sharex=True), UNITS, ("indexed", "ejected"), strict=True
    ):
        found = takt[unit]
        starts = [row["from_s"] for row in found["classes"]]
        widths = [row["to_s"] - row["from_s"] for row in found["classes"]]
        clear = [row["count"] for row in found["classes"]]
        short = [row["with_short_wait"] for row in found["classes"]]
        axes.bar(starts, clear, widths, align="edge", facecolor="#b5b5b5", edgecolor="#222",
                 linewidth=0.6, label=f"outside waits ({found['intervals']})")  # fmt: skip
        axes.bar(starts, short, widths, bottom=clear, align="edge", facecolor="white",
                 edgecolor="#222", linewidth=0.6, hatch="////",
                 label=f"with a short wait ({found['with_short_wait']['intervals']})")  # fmt: skip
        axes.axvline(takt["possible_s"], color="#111", linestyle="--", linewidth=1.2,
                     label=f"possible takt {takt['possible_s']:.1f} s")  # fmt: skip
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


def _flow(figure: Figure, report: ShiftReport, said: Said) -> None:
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


MARKS: Mapping[Pace, tuple[str, str, float, str]] = {
    Pace.ON_PACE: (".", "#777", 3.0, "on its pace"),
    Pace.AHEAD: ("v", "white", 4.5, "ahead: younger than its slot is due (empty, points down)"),
    Pace.BEHIND: ("^", "#111", 4.5, "behind: older than its slot is due (filled, points up)"),
}
"""Marker, fill, size and words of each pace."""


def _ages(figure: Figure, lanes: Sequence[LaneAges], report: ShiftReport) -> None:
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
        _strip(above, lane, report.days, -0.1 * oldest)
        above.set_ylim(-0.2 * oldest, oldest * 1.12)
        _lateness(below, lane, farthest, tolerance)
        for axes in (above, below):
            axes.set_xlim(-2, len(lane.slots) + 1)
            for joint in lane.joints:
                axes.axvline(joint - 0.5, color="#999", linewidth=0.8)
        above.tick_params(labelbottom=False)
    panels[-1].set_xlabel("slot, mouth on the left, tail on the right")
    handles, labels = _ages_legend()
    figure.legend(handles, labels, loc="outside upper left", ncols=3, fontsize=8.5)


def _strip(
    axes: Axes, lane: LaneAges, days: Mapping[str, tuple[float, float]], below: float
) -> None:  # fmt: skip
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


def _ages_legend() -> tuple[list[Any], list[str]]:
    from matplotlib.lines import Line2D

    rows: list[tuple[Any, str]] = [
        (Line2D([], [], linestyle="", marker=marker, markersize=size + 1, markerfacecolor=fill,
                markeredgecolor="#333", markeredgewidth=0.5), words)
        for marker, fill, size, words in MARKS.values()
    ]  # fmt: skip
    for style, words in (("-", "crop's days"), ("--", "ripe from"), (":", "even pace")):
        rows.append((Line2D([], [], linestyle=style, color="#111", linewidth=1.0), words))
    for marker, words in (("s", "hole"), ("x", "unknown: nobody has named it")):
        rows.append((Line2D([], [], linestyle="", marker=marker, markersize=5,
                            markerfacecolor="white", markeredgecolor="#111"), words))  # fmt: skip
    return [row[0] for row in rows], [row[1] for row in rows]
