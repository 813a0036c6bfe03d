"""A shift drawn on a time axis: unit states, alarms, gutters in and out, as shapes for the page."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from typing import Any

from linectl.cli.screen import clock, span

WIDTH = 1000
"""Of the drawing, in its own units; the axis takes all of it."""
LETTER_WIDTH = 9.1
"""Of the page's lettering, which stays readable when the drawing is printed 180 mm wide."""
LABEL_PAD = 5
"""Around a label within its bar."""
ALARM_ROWS_MAX = 8
"""Alarms that stand at once and are drawn; the table has all."""
TICKS_MIN = 6
STEPS_S = (60, 300, 600, 900, 1800, 3600, 7200, 14400, 28800)

LOOK = {
    "Execute": "run", "Suspended": "wait", "Held": "held", "Aborted": "dead", "Aborting": "dead",
    "No controller": "gone",
}  # fmt: skip
"""State → pattern; all others (Stopped, Idle and those that pass) are drawn empty."""
SAME = {
    "Suspending": "Suspended", "Unsuspending": "Suspended", "Holding": "Held", "Unholding": "Held",
}  # fmt: skip
"""States on the way into and out of a wait are drawn with it."""


Clock = Callable[[float | None], str]
"""How a time of the shift is said: since its beginning, or by the clock on the wall."""


@dataclass(frozen=True)
class Bar:
    """A stretch of one state. `look` names a pattern, `title` says it when pointed at."""

    x: float
    width: float
    look: str
    label: str
    title: str


@dataclass(frozen=True)
class Timeline:
    """All shapes of one shift; x from 0 to WIDTH, heights in units of the page's own."""

    ticks: tuple[tuple[float, str], ...]
    units: tuple[tuple[str, tuple[Bar, ...]], ...]
    alarms: tuple[tuple[Bar, ...], ...]
    """By row: alarms that stand at once are drawn one under the other."""
    undrawn: int = 0
    """Alarms for which there was no row left."""
    flow: tuple[Mapping[str, Any], ...] = field(default=())
    flow_max: int = 1


def timeline(result: Mapping[str, Any], total_s: float, said: Clock = clock) -> Timeline:
    """The shapes of a result's states, alarms and flow over `total_s` seconds."""
    total_s = max(total_s, 0.001)
    rows, undrawn = _alarm_rows([_alarm(alarm, total_s, said) for alarm in result["alarms"]])
    return Timeline(
        ticks=tuple((at_s / total_s * WIDTH, said(at_s)) for at_s in ticks_s(total_s)),
        units=tuple((unit, _bars(result, unit, total_s, said)) for unit in ("sowing", "harvest")),
        alarms=rows,
        undrawn=undrawn,
        flow=tuple(_flow(result["flow"], total_s)),
        flow_max=max((max(r["indexed"], r["ejected"]) for r in result["flow"]), default=0) or 1,
    )


def ticks_s(total_s: float) -> tuple[int, ...]:
    """Where the axis of a shift of that length has its marks, in seconds."""
    step = next((s for s in reversed(STEPS_S) if total_s / s >= TICKS_MIN), STEPS_S[0])
    return tuple(n * step for n in range(int(total_s // step) + 1))


def _bars(result: Mapping[str, Any], unit: str, total_s: float, said: Clock) -> tuple[Bar, ...]:
    """The unit's states, neighbours of one kind joined, from the first to the end."""
    joined: list[dict[str, Any]] = []
    for row in result["states"]:
        if row["unit"] != unit:
            continue
        state = SAME.get(row["state"], row["state"])
        end = total_s if row["to_s"] is None else row["to_s"]
        if joined and joined[-1]["state"] == state:
            joined[-1]["end"] = end
        else:
            joined.append(
                {"state": state, "start": row["from_s"], "end": end, "reason": row["reason"]}
            )
    return tuple(_bar(row, total_s, said) for row in joined if row["end"] > row["start"])


def _bar(row: Mapping[str, Any], total_s: float, said: Clock) -> Bar:
    x = row["start"] / total_s * WIDTH
    width = (row["end"] - row["start"]) / total_s * WIDTH
    title = f"{row['state']} {said(row['start'])}–{said(row['end'])}"
    title += f" ({span(row['end'] - row['start'])})"
    if row["reason"]:
        title += f": {row['reason']}"
    label = row["state"] if width >= len(row["state"]) * LETTER_WIDTH + LABEL_PAD else ""
    return Bar(x, max(width, 1.0), LOOK.get(row["state"], "idle"), label, title)


def _alarm(alarm: Mapping[str, Any], total_s: float, said: Clock) -> Bar:
    end = total_s if alarm["to_s"] is None else alarm["to_s"]
    x = alarm["from_s"] / total_s * WIDTH
    width = max((end - alarm["from_s"]) / total_s * WIDTH, 2.0)
    title = f"{alarm['tag']} ({alarm['priority']}) from {said(alarm['from_s'])}"
    return Bar(x, width, "alarm", alarm["tag"], f"{title}: {alarm.get('text', '')}")


def _alarm_rows(bars: list[Bar]) -> tuple[tuple[tuple[Bar, ...], ...], int]:
    """Each alarm in the first row where bar and tag have room; how many found none."""
    rows: list[list[Bar]] = []
    undrawn = 0
    for bar in sorted(bars, key=lambda bar: bar.x):
        row = next((row for row in rows if _drawn_end(row[-1]) + LABEL_PAD <= bar.x), None)
        if row is not None:
            row.append(bar)
        elif len(rows) < ALARM_ROWS_MAX:
            rows.append([bar])
        else:
            undrawn += 1
    return tuple(tuple(row) for row in rows), undrawn


def _drawn_end(bar: Bar) -> float:
    """Where the alarm's drawing ends: its bar, or its tag if that is written beside it."""
    text = len(bar.label) * LETTER_WIDTH
    return bar.x + bar.width + (0 if bar.width >= text + LETTER_WIDTH else text + LETTER_WIDTH)


def _flow(rows: list[Mapping[str, Any]], total_s: float) -> list[Mapping[str, Any]]:
    if not rows:
        return []
    step = (rows[1]["from_s"] if len(rows) > 1 else total_s) / total_s * WIDTH
    placed = [{**row, "x": row["from_s"] / total_s * WIDTH} for row in rows]
    return [{**row, "width": min(step, WIDTH - row["x"])} for row in placed]
