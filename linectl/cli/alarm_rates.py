"""How much alarms burden people, in words: what `alarms --rates` and a rehearsal print."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Any

from rich.text import Text

from linectl.cli.screen import clock, heading, say, span, table

COUNTED = 6
"""Periods of ten minutes below which a share says little: an hour."""


def print_rates(measured: Mapping[str, Any]) -> None:
    """The measures of ISA-18.2, each beside its target (from memory)."""
    lasted_s = measured["to_s"] - measured["from_s"]
    site = f"{measured['site']}: " if "site" in measured else ""
    say(heading(f"{site}alarm rates"), Text(f"over {span(lasted_s)}, {measured['alarms']} alarms"))
    say(table("rate|>mean|>most|>target", rate_rows(measured)))
    say(Text())
    say(table("priority|>alarms|>share|>target", priority_rows(measured)))
    for title, columns, rows in (
        ("Most often", "alarm|>times|>share", top_rows(measured)),
        ("Chattering", "alarm|>times|>most in a minute", chattering_rows(measured)),
        ("Floods", ">from|>to|>alarms", flood_rows(measured)),
        ("Stale", "alarm|>from|>to", stale_rows(measured)),
    ):
        say(Text())
        if rows:
            say(heading(title))
            say(table(columns, rows))
        else:
            say(heading(title), Text("none"))
    say(Text())
    say(heading("At the end"), Text(now_text(measured)))
    if len(measured["per_10min"]["counts"]) < COUNTED:
        say(Text("less than an hour was measured: rates and shares say little yet"))


def rate_rows(measured: Mapping[str, Any]) -> list[list[str]]:
    """Mean and most, per ten minutes and per hour."""
    target = measured["target_per_10min"]
    return [
        [name, _mean(rate, 2), str(rate["most"]), f"about {target * factor:g}"]
        for name, rate, factor in (
            ("in ten minutes", measured["per_10min"], 1),
            ("in an hour", measured["per_hour"], 6),
        )
    ]


def _mean(rate: Mapping[str, Any], digits: int) -> str:
    return "–" if rate["mean"] is None else f"{rate['mean']:.{digits}f}"


def priority_rows(measured: Mapping[str, Any]) -> list[list[str]]:
    """Each priority's share beside the share that it should have."""
    return [
        [
            name,
            str(row["times"]),
            "–" if row["share"] is None else f"{row['share']:.0%}",
            f"about {row['target']:.0%}",
        ]
        for name, row in measured["priorities"].items()
    ]


def top_rows(measured: Mapping[str, Any]) -> list[list[str]]:
    """The ten that came most often."""
    return [[row["tag"], str(row["times"]), f"{row['share']:.0%}"] for row in measured["top"]]


def chattering_rows(measured: Mapping[str, Any]) -> list[list[str]]:
    """Three times or more in a minute."""
    return [
        [row["tag"], str(row["times"]), str(row["most_in_a_minute"])]
        for row in measured["chattering"]
    ]


def flood_rows(
    measured: Mapping[str, Any], said: Callable[[float | None], str] = clock
) -> list[list[str]]:
    """More than ten in ten minutes, until fewer than five; `said`: how a time is said."""
    return [
        [said(row["from_s"]), said(row["to_s"]), str(row["alarms"])] for row in measured["floods"]
    ]


def stale_rows(
    measured: Mapping[str, Any], said: Callable[[float | None], str] = clock
) -> list[list[str]]:
    """In force for more than a day; `said`: how a time is said."""
    return [
        [row["tag"], said(row["from_s"]), "stands" if row["to_s"] is None else said(row["to_s"])]
        for row in measured["stale"]
    ]


def now_text(measured: Mapping[str, Any]) -> str:
    """How many alarms are in which state at the end."""
    return ", ".join(
        f"{count} {state.replace('_', ' ')}" for state, count in measured["now"].items()
    )


def rates_text(measured: Mapping[str, Any]) -> str:
    """The measures in one line, for the end of a list of alarms."""
    rate = measured["per_10min"]
    counts = ((len(measured[key]), key) for key in ("floods", "chattering", "stale"))
    words = [f"{count or 'no'} {key}" for count, key in counts]
    return f"in ten minutes {_mean(rate, 1)}, at most {rate['most']}; {', '.join(words)}"
