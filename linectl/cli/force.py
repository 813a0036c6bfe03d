"""`linectl force SITE TAG VALUE`: a named person sets an input or an output, for a time."""

from __future__ import annotations

from typing import Annotated

import typer

from linectl.cli import granting
from linectl.cli.app import AsJson, RunningSite, app
from linectl.cli.screen import say_json
from linectl.errors import UsageError

CAUTION = (
    "CAUTION: stations act on a forced input as if the field had said it: what is there may be"
    " moved as if it were not. A forced output moves the machine, or keeps it from what it should"
    " do. See that nobody is near, and lock out before anyone reaches in. No interlock believes a"
    " force. linectl is not a safety function: SAFETY.md."
)
KEYS = ("site", "forced", "force_list", "overridden", "override_list", "ended_at_start")
EXAMPLE = """
Examples:

  linectl force config/small fill.exit_eye 0 --for 20m --why "beam misaligned" --by anna

  linectl force config/small tamp.brush 0 --for 5m --why "brush is worn" --by anna

  linectl force config/small fill.exit_eye --end --by anna

  linectl force config/small --release-all --by anna

  linectl force config/small --list
"""


@app.command(epilog=EXAMPLE)
def force(
    site: RunningSite,
    tag: Annotated[str, typer.Argument(metavar="[TAG]", help="A tag of the IO list.")] = "",
    value: Annotated[
        str, typer.Argument(metavar="[VALUE]", help="1 or 0 as `why` shows it, or a number.")
    ] = "",
    duration: granting.For = "",
    reason: granting.Reason = "",
    by: granting.By = "",
    end: granting.End = False,
    release_all: Annotated[
        bool, typer.Option("--release-all", help="End every force, by one act.")
    ] = False,
    listed: granting.List = False,
    yes: granting.Yes = False,
    as_json: AsJson = False,
) -> None:
    """Forces a point of a running controller, ends forces, or lists them with their true values.

    Stations, carriages and lanes see a forced input; causes, the gate, the start warning, enabling
    devices and buttons read the field. What protects people is never forced; what interlocks read
    only where site.yaml allows it (`forces`), and then the command is given twice within a minute.

    An output is forced off at any time. What may move something is forced in maintenance only,
    while the zone's enabling device is held and after its warning, for 5 min at most, and never
    against an interlock. A force ends with its time, with a change of mode and with the controller.
    """
    if listed:
        _list(site, as_json)
    elif release_all:
        granting.complete({"--by": by})
        granting.command(site, "force-end", "all", by, as_json)
    elif not tag:
        raise UsageError("name a point, or say --list or --release-all")
    elif end:
        granting.complete({"--by": by})
        granting.command(site, "force-end", tag, by, as_json)
    else:
        granting.complete({"VALUE": value, "--for": duration, "--reason": reason, "--by": by})
        granting.cautioned(CAUTION, yes)
        granting.command(site, "force", f"{tag} {value} {duration} {reason}", by, as_json)


def _list(site: RunningSite, as_json: bool) -> None:
    status = granting.status_of(site)
    if as_json:
        say_json({key: status[key] for key in KEYS})
    else:
        granting.print_forces(status)
