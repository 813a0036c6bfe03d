"""A kept trip drawn on a time axis: how inputs and outputs went, for the terminal and the page."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Any

from linectl.image import Value
from linectl.ledger.trips import KeptTrip

COLUMNS = 56
"""Of a trace in the terminal: an eighth of a second each."""
LEVELS = "▁▂▃▄▅▆▇█"
OFF, ON, BOTH, BAD = "▁", "█", "▒", "?"
LEGEND = (
    f"{ON} 1   {OFF} 0   {BOTH} both within one column   {BAD} no good reading   {LEVELS} numbers"
)
WIDTH, HEIGHT = 1000, 20
"""Of one trace on the page, in the drawing's own units."""

Step = tuple[int, Value | None]


@dataclass(frozen=True)
class Trace:
    """One point's course. `steps`: (ms after the trip began, value from then on; None: bad)."""

    tag: str
    output: bool
    steps: tuple[Step, ...]
    end: int
    """Where it ends, ms after the trip began."""

    @property
    def is_bool(self) -> bool:
        """True for a point of one bit."""
        return all(value is None or isinstance(value, bool) for _, value in self.steps)

    @property
    def span(self) -> tuple[float, float]:
        """Lowest and highest number that it had."""
        numbers = [float(value) for _, value in self.steps if value is not None] or [0.0]
        return min(numbers), max(numbers)

    def stretches(self) -> list[tuple[int, int, Value | None]]:
        """(from, to, value) one after another."""
        times = [at for at, _ in self.steps] + [self.end]
        return [
            (start, stop, value)
            for (start, stop), (_, value) in zip(pairwise(times), self.steps, strict=True)
        ]


def traces(kept: KeptTrip) -> list[Trace]:
    """Every point that changed: those of the first cause, of what came after it, then the others
    in the order in which they changed from the trip on."""
    window = kept.window
    if window is None:
        return []
    began: int = kept.told["began_ms"]
    courses = _courses(window, window["before"], window["changes"], began, False)
    courses += _courses(window, window["outputs_before"], window["outputs"], began, True)
    ranks = {
        tag: 0 if mark["is"] == "first" else 1
        for mark in reversed(kept.told["marks"])
        for tag in mark["where"].split(", ")
    }
    return sorted(courses, key=lambda trace: (ranks.get(trace.tag, 2), _after(trace), trace.tag))


def _courses(
    window: Mapping[str, Any], before: Mapping[str, Value | None],
    changes: Sequence[tuple[int, str, Value | None]], began: int, output: bool,
) -> list[Trace]:  # fmt: skip
    start, end = window["from_ms"] - began, window["to_ms"] - began
    steps: dict[str, list[Step]] = {}
    for at, tag, value in changes:
        steps.setdefault(tag, [(start, before.get(tag))]).append((at - began, value))
    return [Trace(tag, output, tuple(course), end) for tag, course in steps.items()]


def _after(trace: Trace) -> int:
    """When it first changed from shortly before the trip on; late for what changed before only."""
    return next((at for at, _ in trace.steps[1:] if at >= -500), 1 << 30)


def strip(trace: Trace, start: int, end: int) -> str:
    """The course as one line of COLUMNS characters, from `start` to `end` ms."""
    width = (end - start) / COLUMNS
    low, high = trace.span
    stretches = trace.stretches()
    line = ""
    for column in range(COLUMNS):
        left, right = start + column * width, start + (column + 1) * width
        seen = [value for a, b, value in stretches if a < right and b > left]
        if not seen:
            line += " "
        elif None in seen:
            line += BAD
        elif trace.is_bool:
            line += BOTH if len(set(seen)) > 1 else ON if seen[0] else OFF
        else:
            share = (float(seen[-1] or 0) - low) / (high - low) if high > low else 0.0
            line += LEVELS[round(share * (len(LEVELS) - 1))]
    return line


def axis(start: int, end: int) -> str:
    """The line over the strips: where it begins, where the trip began, where it ends."""
    left, right = f"{start / 1000:g} s", f"+{end / 1000:g} s"
    middle = round(-start / (end - start) * COLUMNS)
    text = left.ljust(middle) + "│0"
    return text.ljust(COLUMNS - len(right)) + right


def path(trace: Trace, start: int, end: int) -> str:
    """The course as the `d` of a stepped SVG path; gaps where nobody could read."""
    low, high = (0.0, 1.0) if trace.is_bool else trace.span
    scale = WIDTH / max(end - start, 1)
    drawn: list[str] = []
    pen_down = False
    for left, right, value in trace.stretches():
        if value is None:
            pen_down = False
            continue
        share = (float(value) - low) / (high - low) if high > low else 0.0
        y = HEIGHT - share * HEIGHT
        x = (left - start) * scale
        drawn.append(f"{'L' if pen_down else 'M'}{x:.1f} {y:.1f}H{(right - start) * scale:.1f}")
        pen_down = True
    return "".join(drawn)


def gaps(trace: Trace, start: int, end: int) -> list[tuple[float, float]]:
    """(x, width) of the stretches in which nobody could read it."""
    scale = WIDTH / max(end - start, 1)
    return [
        ((left - start) * scale, (right - left) * scale)
        for left, right, value in trace.stretches()
        if value is None
    ]
