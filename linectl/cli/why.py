"""`linectl why SITE NAME`: why it does not move, from demand to the device that says no."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Annotated, Any

import typer
from rich.text import Text

from linectl.cli.app import AsJson, RunningSite, app
from linectl.cli.screen import heading, say, say_json, table
from linectl.errors import UsageError
from linectl.runtime.control import ask

CHECKS_SHOWN = 15
"""Conditions printed; every unmet one is."""
EXAMPLE = """
Examples:

  linectl why config/small infeed

  linectl why config/small seed.drum

  linectl why config/small hopper_empty
"""


@app.command(epilog=EXAMPLE)
def why(
    site: RunningSite,
    name: Annotated[
        str, typer.Argument(metavar="NAME", help="A tag, station, lane, unit or cause.")
    ],
    as_json: AsJson = False,
) -> None:
    """Asks a running controller why something does not move.

    Demand, then each permissive, its cause, point and device: the first unmet stands first, with
    who can clear it. What is bypassed or forced is said beside it.
    """
    answer = ask(site, {"ask": "why", "name": name})
    if "error" in answer:
        raise UsageError(answer["error"])
    if as_json:
        say_json(answer)
    else:
        print_why(answer)


def print_why(answer: Mapping[str, Any]) -> None:
    """The chain in words: what is not met first, with who can clear it."""
    lines = answer["lines"]
    unmet = [check for check in lines if not check["met"]]
    met = [check for check in lines if check["met"]]
    count = f"{len(unmet)} of {len(lines)} conditions not met" if unmet else "nothing is in the way"
    say(heading(f"{answer['name']}:"), Text(count))
    for trip in answer.get("trips", ()):
        say(heading("First-out"), Text(trip["text"]))
    shown = unmet + met[: max(0, CHECKS_SHOWN - len(unmet))]
    rows = [
        [
            "yes" if check["met"] else "NO",
            check["step"],
            check["text"],
            check["clears"],
            ", ".join(check["points"]),
        ]
        for check in shown
    ]
    say(table("met|what|in words|who or what clears it|points", rows))
    _print_points(unmet)
    if len(lines) > len(shown):
        say(Text(f"and {len(lines) - len(shown)} more that are met: --json has them all"))


def _print_points(unmet: Iterable[Mapping[str, Any]]) -> None:
    """The points that unmet conditions stand on, as a technician looks for them."""
    places = {row["tag"]: row for check in unmet for row in check.get("where", ())}
    rows = [
        [tag, _says(row), row["terminal"] or "–", row["address"], row["device"], _age(row)]
        for tag, row in places.items()
    ]
    if rows:
        say(Text())
        say(table("point|says|terminal|address|device|>age", rows))


def _says(row: Mapping[str, Any]) -> str:
    value = row["value"]
    said = "nothing good" if value is None else f"{value:g}"
    return said if row["forced"] is None else f"{said}, FORCED to {row['forced']}"


def _age(row: Mapping[str, Any]) -> str:
    age_s = row.get("age_s")
    return "–" if age_s is None else f"{age_s:.2f} s"
