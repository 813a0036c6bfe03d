"""Writes a rehearsed plan as one HTML page: a strip of days, orders, misses; prints in grey."""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from linectl import __version__
from linectl.cli.followed import done_of, left_text, why_text
from linectl.cli.screen import clock
from linectl.cli.shift_page import environment, write_page
from linectl.runtime.rehearsal import Result

WIDTH = 1000
BAR_HEIGHT = 120
WEEKDAYS = ("Mo", "Tu", "We", "Th", "Fr", "Sa", "Su")


@dataclass(frozen=True)
class Column:
    """One day of the strip, in the drawing's units. look: met, said, missed or none (no orders)."""

    x: float
    width: float
    label: str
    title: str
    ordered: float
    packed: float
    look: str


def write_followed(path: Path, result: Result) -> None:
    """Write the page. Raises Unreachable if the file cannot be written."""
    page = environment(clock).get_template("followed.html").render(
        result=result, plan=result["plan"], strip=strip(result["plan"]), width=WIDTH,
        height=BAR_HEIGHT, done_of=done_of, left_text=left_text, why_text=why_text,
        version=__version__,
    )  # fmt: skip
    write_page(path, page)


def strip(plan: Mapping[str, Any]) -> list[Column]:
    """A column a day: a bar of what was packed, a line at what was ordered, a look for its orders.

    Columns stand by date, so that days without a shift are gaps.
    """
    days = plan["days"]
    first = dt.date.fromisoformat(days[0]["day"])
    last = dt.date.fromisoformat(days[-1]["day"])
    width = WIDTH / ((last - first).days + 1)
    masses = [(_kg(day, "ordered_kg"), _kg(day, "kg")) for day in days]
    most = max((max(pair) for pair in masses), default=0.0) or 1.0
    said: dict[str, list[bool]] = {}
    for row in plan["misses"]:
        said.setdefault(row["day"], []).append(row["said"])
    columns = []
    for day, (ordered, packed) in zip(days, masses, strict=True):
        date = dt.date.fromisoformat(day["day"])
        look = "none" if not ordered else "met"
        if day["day"] in said:
            look = "said" if all(said[day["day"]]) else "missed"
        columns.append(
            Column(
                (date - first).days * width, width,
                f"{date.day}.{date.month}." if date.weekday() == 0 or date == first else "",
                f"{WEEKDAYS[date.weekday()]} {date}: {packed:.1f} kg packed, {ordered:.1f} kg"
                f" ordered, {_LOOKS[look]}",
                ordered / most * BAR_HEIGHT, packed / most * BAR_HEIGHT, look,
            )
        )  # fmt: skip
    return columns


_LOOKS = {
    "none": "nothing ordered",
    "met": "orders met",
    "said": "a crop short, as the plan had said",
    "missed": "a crop short that the plan had not named",
}


def _kg(day: Mapping[str, Any], what: str) -> float:
    return float(sum(row[what] for row in day["crops"]))
