"""`linectl bypass SITE CAUSE`: a named person keeps an interlock from acting, for a time."""

from __future__ import annotations

from typing import Annotated

import typer

from linectl.cli import granting
from linectl.cli.app import AsJson, RunningSite, app
from linectl.cli.screen import say_json
from linectl.errors import UsageError

CAUTION = (
    "CAUTION: a bypassed interlock does not act. See that nobody is where it protects, have"
    " somebody watch what it watched, and lock out before anyone reaches in. linectl is not a"
    " safety function: SAFETY.md."
)
TRY = (
    "The cause acts again. Try it at its sensor, bring it about and take it away again: until then"
    " it stays on the list."
)
EXAMPLE = """
Examples:

  linectl bypass config/small magazine_empty --for 2h --reason "its eye is dirty" --by anna

  linectl bypass config/small magazine_empty --end --by anna

  linectl bypass config/small --list
"""


@app.command(epilog=EXAMPLE)
def bypass(
    site: RunningSite,
    cause: Annotated[
        str, typer.Argument(metavar="[CAUSE]", help="A cause of interlocks.yaml.")
    ] = "",
    duration: granting.For = "",
    reason: granting.Reason = "",
    by: granting.By = "",
    end: granting.End = False,
    listed: granting.List = False,
    yes: granting.Yes = False,
    as_json: AsJson = False,
) -> None:
    """Bypasses a cause of a running controller, ends a bypass, or lists them.

    Only a cause whose row in interlocks.yaml says `bypass`, for no longer than it says; never an
    emergency stop, a guard, a silent device, the start warning. It ends with its time, with a
    change of mode and with the controller. Ended, the cause acts at once, and stays listed until
    it has been tried: brought about at its sensor and taken away again.
    """
    if listed:
        _list(site, as_json)
    elif not cause:
        raise UsageError("name a cause of interlocks.yaml, or say --list")
    elif end:
        granting.complete({"--by": by})
        granting.command(site, "bypass-end", cause, by, as_json, TRY)
    else:
        granting.complete({"--for": duration, "--reason": reason, "--by": by})
        granting.cautioned(CAUTION, yes)
        granting.command(site, "bypass", f"{cause} {duration} {reason}", by, as_json)


def _list(site: RunningSite, as_json: bool) -> None:
    status = granting.status_of(site)
    if as_json:
        say_json({key: status[key] for key in ("site", "bypassed", "bypass_list", "exposure")})
    else:
        granting.print_bypasses(status)
