"""`linectl why SITE NAME`: why it does not move, from demand to the device that says no."""

from __future__ import annotations

from collections.abc import Mapping
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
"""


@app.command(epilog=EXAMPLE)
def why(
    site: RunningSite,
    name: Annotated[
        str, typer.Argument(metavar="NAME", help="A station, lane, unit, or the tag of an output.")
    ],
    as_json: AsJson = False,
) -> None:
    """Asks a running controller why something does not move.

    Demand, then each permissive, its cause, point and device: the first unmet stands first.
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
    if len(lines) > len(shown):
        say(Text(f"and {len(lines) - len(shown)} more that are met: --json has them all"))
