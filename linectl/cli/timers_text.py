"""The tables of `linectl calibrate SITE timers`, for the terminal and for its page."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from rich.text import Text

from linectl.cli.screen import heading, say, table
from linectl.crop.step_times import CYCLES_LEAST, MARGIN

Table = tuple[str, Sequence[Sequence[object]]]
RULE = (
    f"Rule: a time-out is the longest duration seen in good cycles, or the motion by the site's"
    f" lengths if that is longer, and {100 * MARGIN:.0f} % of it, and what the controller needs to"
    f" see the end; never above the jam limit, and not lengthened where none is declared; from"
    f" {CYCLES_LEAST} cycles on. Times in seconds."
)


def seconds(ms: float | None) -> str:
    """1.24; a dash for none."""
    return "–" if ms is None else f"{ms / 1000:.2f}"


def steps_table(told: Mapping[str, Any]) -> Table:
    """Each step's distribution beside its time-out and the one proposed."""
    proposed = {one["path"]: one["proposed_ms"] for one in told["timeouts"]}
    rows = []
    for one in told["steps"]:
        times = (seconds(one[name]) for name in ("least", "median", "p95", "most"))
        said = f"was {seconds(one['before']['median_ms'])}" if one["drifted"] else ""
        new = seconds(proposed.get(one["path"])) if one["path"] else "–"
        rows.append((one["step"], one["n"], *times, seconds(one["timeout_ms"]), new, said))
    return "step|>n|>min|>median|>p95|>max|>time-out|>proposed|drifted", rows


def timeouts_table(told: Mapping[str, Any]) -> Table:
    """Each time-out of site.yaml: as it is, what bounds it, what is proposed and why."""
    rows = [
        (
            one["path"], seconds(one["now_ms"]), seconds(one["motion_ms"]),
            seconds(one["longest_ms"]), seconds(one["jam_limit_ms"]), seconds(one["proposed_ms"]),
            one["why"],
        )
        for one in told["timeouts"]
    ]  # fmt: skip
    return "time-out|>now|>motion|>longest|>jam limit|>proposed|why", rows


def left_out_table(told: Mapping[str, Any]) -> Table:
    """Cycles that were no good ones."""
    rows = [(one["part"], one["why"], one["cycles"]) for one in told["left_out"]]
    return "part|left out for|>cycles", rows


def say_timers(told: Mapping[str, Any]) -> None:
    """Print what was found."""
    say(heading(f"{told['site']}: steps in good cycles, and their time-outs"))
    say(table(*steps_table(told)))
    if told["left_out"]:
        say(table(*left_out_table(told)))
    unseen = [one["path"] for one in told["timeouts"] if one["proposed_ms"] is None]
    for one in told["timeouts"]:
        if one["path"] in unseen:
            say(Text(f"{one['path']}: no proposal: {one['why']}"), soft_wrap=True)
    fewest = min((one for one in told["steps"] if one["n"]), key=lambda one: one["n"], default=None)
    if fewest is not None:
        say(
            Text(
                f"The longest of {fewest['n']} ({fewest['step']}) is not passed by"
                f" {100 * fewest['covered']:.0f} % of all, with 95 % confidence."
            ),
            soft_wrap=True,
        )
    if told["drifted"]:
        say(heading(f"drifted since last time: {', '.join(told['drifted'])}"))
    say(Text(RULE), soft_wrap=True)
