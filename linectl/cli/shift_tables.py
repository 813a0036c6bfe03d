"""The tables of a recorded shift: columns and cells, the same for the terminal and the page."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from typing import Any, NamedTuple

from linectl.cli.screen import span

STANDS_FROM_S = 10.0
"""Shorter stands (starting, being reset) are counted in one line."""

Said = Callable[[float | None], str]


class Shown(NamedTuple):
    """A table: columns separated by `|`, those that begin with `>` aligned right, and its cells."""

    columns: str
    rows: list[list[str]]


def percent(share: float | None) -> str:
    """A share as per cent with one decimal; a dash where there is none."""
    return "–" if share is None else f"{100 * share:.1f} %"


def crops(told: Mapping[str, Any]) -> Shown:
    """Gutters by crop, and their sums."""
    names = list(told["gutters"])
    rows = [[row["crop"] or "(none yet)", *(str(row[n]) for n in names)] for row in told["crops"]]
    rows.append(["all", *(str(told["gutters"][name]) for name in names)])
    return Shown("crop|" + "|".join(">" + name.replace("_", " ") for name in names), rows)


def lanes(told: Mapping[str, Any]) -> Shown:
    """What went in and out by lane."""
    names = ("lane", "slots", "indexed", "ejected", "rejected", "removed", "filled")
    rows = [[str(row[name]) for name in names] for row in told["lanes"]]
    columns = [*names[:-1], "filled now"]
    return Shown("|".join(">" + name for name in columns), rows)


def figures(told: Mapping[str, Any]) -> Shown:
    """The four figures of each unit, and how each is made."""
    units = told["kpi"]["units"]
    rows = [
        [
            "OEE index" if name == "oee_index" else name.replace("_", " "),
            *(percent(unit[name]) for unit in units),
            formula,
        ]
        for name, formula in units[0]["formulas"].items()
    ]
    return Shown("figure|" + "|".join(">" + unit["unit"] for unit in units) + "|is", rows)


def terms(told: Mapping[str, Any]) -> Shown:
    """What each term of the figures is on this line, and what it came to."""
    rows = []
    for one, other in zip(*(unit["terms"] for unit in told["kpi"]["units"]), strict=True):
        here = one["here"]
        if other["here"] != here:
            here = f"sowing: {here}. harvest: {other['here']}"
        rows.append([f"{one['term']}, {one['name']}", amount(one), amount(other), here])
    return Shown("term|>sowing|>harvest|what it is here", rows)


def amount(term: Mapping[str, Any]) -> str:
    """A term's value with its unit."""
    if term["unit"] != "s":
        return str(round(term["value"]))
    return f"{term['value']:.1f} s" if term["value"] < 600 else span(term["value"])


def pareto(told: Mapping[str, Any]) -> Shown:
    """Waits by reason, the longest sum of each unit first."""
    rows = [
        [
            row["unit"], "short wait" if row["state"] == "Execute" else row["state"],
            str(row["times"]), span(row["all_s"]), span(row["longest_s"]),
            percent(row["share"]), percent(row["cumulative"]), row["reason"],
        ]
        for row in told["pareto"]
    ]  # fmt: skip
    return Shown("unit|state|>times|>in all|>longest|>share|>cumulative|why", rows)


def stands(told: Mapping[str, Any], said: Said) -> Shown:
    """Each stand of a whole unit, and what kept the other one meanwhile."""
    rows = [
        [
            row["unit"], row["state"], "before" if row["began_before"] else said(row["from_s"]),
            "stands" if row["ongoing"] else said(row["to_s"]), span(row["to_s"] - row["from_s"]),
            row["reason"].split(";")[0], row["meanwhile"] or "",
        ]
        for row in told["stands"]
        if row["to_s"] - row["from_s"] >= STANDS_FROM_S
    ]  # fmt: skip
    return Shown("unit|state|>from|>to|>for|why|meanwhile", rows)


def shorter(told: Mapping[str, Any]) -> int:
    """Stands that are too short to be listed."""
    return sum(row["to_s"] - row["from_s"] < STANDS_FROM_S for row in told["stands"])


def takt(told: Mapping[str, Any]) -> Shown:
    """The middle of the intervals, beside the possible takt."""
    rows = []
    for unit in ("sowing", "harvest"):
        found = told["takt"][unit]
        for text, middle in (
            ("outside waits", found),
            ("with a short wait in it", found["with_short_wait"]),
        ):
            rows.append(
                [
                    unit, text, str(middle["intervals"]), seconds(middle["median_s"]),
                    seconds(middle["p95_s"]), seconds(told["takt"]["possible_s"]),
                ]
            )  # fmt: skip
    return Shown("unit|intervals|>number|>median|>95 % below|>possible takt", rows)


def seconds(value: float | None) -> str:
    """Seconds with one decimal; a dash where there are none."""
    return "–" if value is None else f"{value:.1f} s"


def ages(told: Mapping[str, Any]) -> Shown:
    """How the gutters of each lane stand to their crops' days."""
    names = (
        "lane", "filled", "holes", "unknown", "ahead", "on_pace", "behind", "ripe", "over_days",
    )  # fmt: skip
    rows = []
    for row in told["ages"]["lanes"]:
        tail = "–" if row["tail_days"] is None else f"{row['tail_days']:.1f} ({row['tail_crop']})"
        oldest = "–" if row["oldest_days"] is None else f"{row['oldest_days']:.1f}"
        rows.append([*(str(row[name]) for name in names), oldest, tail])
    columns = "|".join(">" + name.replace("_", " ") for name in names)
    return Shown(columns.replace("over days", "over its days") + "|>oldest, days|tail, days", rows)


def controllers(told: Mapping[str, Any], said: Said) -> Shown:
    """The times with a controller, where there were several, or none for a while."""
    rows: list[list[str]] = []
    boots: Sequence[Mapping[str, Any]] = told["controller"]
    for row in boots:
        went_on = row["ongoing"] or row["running"]
        end = "runs on" if went_on else said(row["to_s"])
        how = "" if went_on else "in order" if row["in_order"] else "power cut or crash"
        none = row["none_after_s"]
        begin = "before" if row["began_before"] else said(row["from_s"])
        rows.append([str(row["boot"]), begin, end, how, span(none) if none else ""])
    return Shown(">start|>from|>to|ended|>none after it", rows)
