"""A recorded shift as CSV files in a folder: one table a file, times as local times with offset."""

from __future__ import annotations

import csv
from collections.abc import Iterable, Mapping, Sequence
from pathlib import Path
from typing import Any

from linectl.errors import Unreachable
from linectl.runtime.shift_calendar import local
from linectl.runtime.shift_report import ShiftReport

Rows = Iterable[Mapping[str, Any]]


def write_tables(folder: Path, report: ShiftReport) -> list[Path]:
    """Write every table into the folder, which is made if it is not there; the files written.

    Raises Unreachable if one cannot be written.
    """
    try:
        folder.mkdir(parents=True, exist_ok=True)
        return [_write(folder / f"{name}.csv", *table) for name, table in _tables(report).items()]
    except OSError as error:
        raise Unreachable(f"{error.filename}: cannot be written ({error.strerror})") from error


def _tables(report: ShiftReport) -> dict[str, tuple[Sequence[str], list[list[Any]]]]:
    told = report.told
    start = told["shift"]["from_ms"]
    gutters = ("crop", *told["gutters"])
    lanes = ("lane", "slots", "indexed", "ejected", "rejected", "removed", "filled")
    ranked = ("unit", "state", "reason", "times", "all_s", "longest_s", "share", "cumulative")
    waits = ("unit", "state", "from", "to", "ongoing", "reason", "meanwhile")
    stops = ("at", "what", "first", "tie", "resolution_ms", "after", "ended")
    alarms = ("tag", "priority", "first_out", "from", "to", "ongoing", "text")
    takt = ("unit", "from_s", "to_s", "count", "with_short_wait")
    slots = ("lane", "place", "name", "state", "gutter", "crop", "days", "due_days", "pace",
             "ripe", "over")  # fmt: skip
    times = {"sowing": "indexed", "harvest": "ejected"}
    return {
        "gutters": (gutters, _cells(told["crops"], gutters)),
        "lanes": (lanes, _cells(told["lanes"], lanes)),
        "blends": _blends(told["blends"]),
        "waits_by_reason": (ranked, _cells(told["pareto"], ranked)),
        "stands": (waits, _cells(_timed(told["stands"], start), waits)),
        "stops": (
            stops,
            [
                [
                    _at(start, trip["at_s"]),
                    trip["what"],
                    "; ".join(trip["first_words"]),
                    trip["tie"],
                    trip["resolution_ms"],
                    "; ".join(trip["after"]),
                    trip["ended"],
                ]
                for trip in told["trips"]
            ],
        ),
        "alarms": (alarms, _cells(_timed(told["alarms"], start), alarms)),
        "takt": (
            takt,
            [
                [unit, *row]
                for unit in times
                for row in _cells(told["takt"][unit]["classes"], takt[1:])
            ],
        ),
        "gutter_times": (
            ("move", "at"),
            [[times[unit], _at(start, at)] for unit, each in report.times_s.items() for at in each],
        ),
        "figures": (("unit", "name", "value", "in", "is"), _figures(told)),
        "ages": (
            slots,
            [
                [lane.lane, *row]
                for lane in report.ages
                for row in _cells([slot._asdict() for slot in lane.slots], slots[1:])
            ],
        ),
    }


def _figures(told: Mapping[str, Any]) -> list[list[Any]]:
    found = []
    for unit in told["kpi"]["units"]:
        for term in unit["terms"]:
            row = [f"{term['term']}, {term['name']}", term["value"], term["unit"], term["here"]]
            found.append([unit["unit"], *row])
        for name, formula in unit["formulas"].items():
            found.append([unit["unit"], name, unit[name], "share of 1", formula])
    return found


def _timed(rows: Rows, start: int) -> list[dict[str, Any]]:
    return [
        {**row, "from": _at(start, row["from_s"]), "to": _at(start, row["to_s"])} for row in rows
    ]


def _at(start: int, seconds: float) -> str:
    return local(start + round(seconds * 1000)).isoformat(timespec="milliseconds")


def _blends(blends: Rows) -> tuple[Sequence[str], list[list[Any]]]:
    """A row for each crop of each blend that was followed."""
    of_crop = (
        "crop", "cycle", "asked", "gone", "skipped", "made_up", "forgiven", "owed", "weighed",
        "asked_kg", "gone_kg", "asked_share", "gone_share", "asked_kg_share", "gone_kg_share",
    )  # fmt: skip
    rows = [
        [blend["name"], blend["by"], *(row[key] for key in of_crop)]
        for blend in blends
        for row in blend["crops"]
    ]
    return ("blend", "by", *of_crop), rows


def _cells(rows: Rows, names: Sequence[str]) -> list[list[Any]]:
    return [[row[name] for name in names] for row in rows]


def _write(path: Path, names: Sequence[str], rows: list[list[Any]]) -> Path:
    with path.open("w", encoding="utf-8", newline="") as file:
        writer = csv.writer(file)
        writer.writerow(names)
        writer.writerows(rows)
    return path
