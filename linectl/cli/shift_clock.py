"""The times of a recorded shift as its page and its text say them: by the clock on the wall."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from typing import Any

from linectl.runtime.shift_calendar import local
from linectl.runtime.trip_record import time_of_day


def wall_clock(from_ms: int) -> Callable[[float | None], str]:
    """Says seconds since `from_ms` (Unix ms) as a local time; another day than the first: +1d."""
    first = local(from_ms).date()

    def said(seconds: float | None) -> str:
        if seconds is None:
            return "end"
        time = local(from_ms + round(seconds * 1000))
        days = (time.date() - first).days
        return f"{time:%H:%M:%S}" + (f" {days:+d}d" if days else "")

    return said


def to_the_ms(from_ms: int, seconds: float) -> str:
    """The same with milliseconds, for what came first."""
    return time_of_day(from_ms + round(seconds * 1000))


def open_ended(rows: Iterable[Mapping[str, Any]]) -> list[dict[str, Any]]:
    """Rows cut to the shift, those that went on beyond it without an end again."""
    return [{**row, "to_s": None if row["ongoing"] else row["to_s"]} for row in rows]
