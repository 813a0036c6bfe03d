"""`linectl status SITE`: what the running controller of a site says of itself."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from rich.text import Text

from linectl.cli.app import AsJson, RunningSite, app
from linectl.cli.screen import heading, say, say_json, span, table
from linectl.errors import UsageError
from linectl.runtime.control import ask

EXAMPLE = """
Example:

  linectl status config/small
"""


@app.command(epilog=EXAMPLE)
def status(site: RunningSite, as_json: AsJson = False) -> None:
    """Asks a running controller: units, their states and reasons, buses, devices, alarms.

    A bus's poll is measured beside what `check` computes for it: half of all polls, and 99 of
    100, took at most what the columns say.
    """
    answer = ask(site, {"ask": "status"})
    if "error" in answer:
        raise UsageError(answer["error"])
    if as_json:
        say_json(answer)
    else:
        print_status(answer)


def print_status(answer: Mapping[str, Any]) -> None:
    """The status in words; also what `run` prints when a state changes."""
    say(
        heading(f"{answer['site']}:"),
        Text(f"controlled by process {answer['pid']}, states of {answer['edition']}"),
    )
    rows = [
        [name, u["mode"], u["state"], span(u["since_s"]), u["reason"]]
        for name, u in answer["units"].items()
    ]
    say(table("unit|mode|state|>since|why", rows))
    say(Text())
    say(table("bus|link|>for|>poll computed|>half|>99 of 100|>worst|errors", _buses(answer)))
    if troubled := [row for bus in answer["buses"] for row in _troubled(bus)]:
        say(Text())
        say(table("device|is|>for|errors|what was last wrong, and what to look at", troubled))
    for bus in answer["buses"]:
        for remark in bus["remarks"]:
            say(Text(f"bus {bus['name']}: {remark}"))
    say(Text())
    say(
        Text(f"alarms {answer['alarms']}, forced {answer['forced']}, bypassed {answer['bypassed']}")
    )


def _buses(answer: Mapping[str, Any]) -> list[list[str]]:
    rows = []
    for bus in answer["buses"]:
        cycle = bus["measured"]["cycle_ms"]
        rows.append(
            [
                bus["name"],
                "up" if bus["up"] else "DOWN",
                span(bus["since_s"]),
                f"{bus['computed']['cycle_ms']:.0f} ms",
                *(f"{cycle[key]:.0f} ms" for key in ("half", "most", "worst")),
                _errors(bus["errors"]),
            ]
        )
    return rows


def _troubled(bus: Mapping[str, Any]) -> list[list[str]]:
    """A row for each device that is bad, or good with a word to say."""
    rows = []
    for device in bus["devices"]:
        words = [f"{tag}: {why}" for tag, why in device["bad_points"].items()]
        words += [
            f"site.yaml, devices: {device['name']}: holes: {{{table}: {ranges}}}"
            for table, ranges in device["holes"].items()
        ]
        if device["good"] and not device["errors"] and not words:
            continue
        if device["last"]:
            words.insert(0, device["last"])
        quality = device["quality"].replace("_", " ")
        rows.append(
            [
                device["name"],
                quality if device["good"] else quality.upper(),
                span(device["since_s"]),
                _errors(device["errors"]),
                "; ".join(words),
            ]
        )
    return rows


def _errors(counts: Mapping[str, int]) -> str:
    named = [f"{count} {kind.replace('_', ' ')}" for kind, count in counts.items() if count]
    return ", ".join(named) or "none"
