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
    """Asks a running controller: units, their states and reasons, buses, alarms."""
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
    rows = [
        [
            bus["name"],
            "up" if bus["up"] else "DOWN",
            f"{bus['cycle_ms']:.0f} ms",
            ", ".join(f"{n} {kind}" for kind, n in bus["errors"].items() if n) or "none",
        ]
        for bus in answer["buses"]
    ]
    say(Text())
    say(table("bus|link|>cycle|errors", rows))
    say(Text())
    say(
        Text(f"alarms {answer['alarms']}, forced {answer['forced']}, bypassed {answer['bypassed']}")
    )
