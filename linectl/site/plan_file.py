"""A sowing plan as a file: what is pulled and what is sown on each day, by lane and crop.

    day,act,lane,crop,gutters
    2026-06-01,pull,1,green_oakleaf,20
    2026-06-01,sow,1,rocket,20

Rows of a day stand in the order of work: the sowing rows of one crop together, so that a new
crop begins one changeover, and each lane's in the order in which they enter it. Days follow
each other; a day of the plan is a day on which a shift begins.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

from linectl.errors import Finding
from linectl.site.columns import (
    Row,
    all_or_raise,
    count_of,
    name_of,
    read_columns,
    working_day,
)
from linectl.site.model import Site
from linectl.site.rowfile import rows_text, write_rows

COLUMNS = ("day", "act", "lane", "crop", "gutters")
ACTS = ("sow", "pull")


@dataclass(frozen=True)
class Allot:
    """So many gutters of one crop, into or out of one lane."""

    lane: int
    crop: str
    gutters: int


@dataclass(frozen=True)
class Day:
    """One day's work: `sow` and `pull` in their order."""

    date: dt.date
    sow: tuple[Allot, ...] = ()
    pull: tuple[Allot, ...] = ()


@dataclass(frozen=True)
class _Entry:
    date: dt.date
    act: str
    allot: Allot


def read_plan(path: Path, site: Site) -> tuple[Day, ...]:
    """The days of a plan for this site, the first one first.

    Raises SiteError with every error at once, each with its line and the nearest valid name.
    """
    findings: list[Finding] = []
    entries: list[_Entry] = []
    for row in read_columns(path, COLUMNS, findings):
        entry = _entry(row, site, findings)
        if entry is None:
            continue
        if entries and entry.date < entries[-1].date:
            text = f"{entry.date} stands below {entries[-1].date}"
            findings.append(row.finding("day", text, "days follow each other: sort the file"))
        entries.append(entry)
    all_or_raise(findings)
    return tuple(_days(entries))


def _entry(row: Row, site: Site, findings: list[Finding]) -> _Entry | None:
    date = working_day(row, site.file.shift, findings)
    act = name_of(row, "act", "act", ACTS, findings)
    lane = name_of(row, "lane", "lane", (str(lane.id) for lane in site.file.lanes), findings)
    crop = name_of(row, "crop", "crop", site.crops.crops, findings)
    gutters = count_of(row, "gutters", findings)
    if date is None or act is None or lane is None or crop is None or gutters is None:
        return None
    accepted = next(facts.crops for facts in site.file.lanes if facts.id == int(lane))
    if act == "sow" and crop not in accepted:
        hint = f"it accepts: {', '.join(accepted)}"
        findings.append(row.finding("crop", f"lane {lane} does not accept {crop}", hint))
        return None
    return _Entry(date, act, Allot(int(lane), crop, gutters))


def _days(entries: Sequence[_Entry]) -> Iterator[Day]:
    for date in sorted({entry.date for entry in entries}):
        today = [entry for entry in entries if entry.date == date]
        yield Day(
            date,
            sow=tuple(entry.allot for entry in today if entry.act == "sow"),
            pull=tuple(entry.allot for entry in today if entry.act == "pull"),
        )


def write_plan(path: Path, days: Iterable[Day]) -> None:
    """Write a plan that `read_plan` reads back as the same days. Raises OSError."""
    write_rows(path, COLUMNS, _rows(days))


def plan_text(days: Iterable[Day]) -> str:
    """The text that `write_plan` writes."""
    return rows_text(COLUMNS, _rows(days))


def _rows(days: Iterable[Day]) -> Iterator[dict[str, str]]:
    for day in days:
        for act, allots in (("pull", day.pull), ("sow", day.sow)):
            for allot in allots:
                yield {
                    "day": day.date.isoformat(),
                    "act": act,
                    "lane": str(allot.lane),
                    "crop": allot.crop,
                    "gutters": str(allot.gutters),
                }
