"""`linectl command SITE UNIT NAME`: tells the running controller what a person wants."""

from __future__ import annotations

import getpass
from typing import Annotated

import typer
from rich.text import Text

from linectl.cli.app import AsJson, RunningSite, app
from linectl.cli.screen import say, say_json
from linectl.errors import UsageError
from linectl.runtime.control import ask
from linectl.site.complaints import nearest
from linectl.site.scenario import COMMANDS, UNITS

REFUSED = 1
EXAMPLE = """
Examples:

  linectl command config/small sowing start

  linectl command config/small sowing mode dry-cycle

  linectl command config/small line advance-empty 3 --by anna

  linectl command config/small harvest blend duo --by anna

  linectl command config/small harvest blend green_oakleaf=4,red_oakleaf=2
"""


@app.command(epilog=EXAMPLE)
def command(
    site: RunningSite,
    unit: Annotated[str, typer.Argument(metavar="UNIT", help="sowing, harvest, or line.")],
    name: Annotated[str, typer.Argument(metavar="NAME", help="What to do, such as start.")],
    argument: Annotated[
        list[str] | None, typer.Argument(metavar="[ARGUMENT]", help="Such as a lane or a mode.")
    ] = None,
    by: Annotated[str, typer.Option(help="Who commands it; your login if left out.")] = "",
    as_json: AsJson = False,
) -> None:
    """Commands a running controller.

    The names of ISA-TR88 (reset, start, stop, hold, unhold, abort, clear …), and the line's own:
    mode WHICH (production, dry-cycle, maintenance), run-out, blend NAME (or
    CROP=GUTTERS,CROP=GUTTERS, or none), skip, interlock-reset, lane-resume LANE, advance-empty
    LANE, programme LANE WHICH, reject PLACE …

    Today's list: today sow=LANE:CROP:GUTTERS,… pull=LANE:GUTTERS,… replaces any list before it: a
    hole is kept for what its lane's list has next, nothing is fed without a slot, a tail is taken
    only while its lane has gutters left to pull; today none ends it. A unit that waits may carry
    on by itself when a list is told.

    Exit 1 if the controller refuses; it says why.
    """
    for word, known in ((unit, (*UNITS, "line")), (name, COMMANDS)):
        if word not in known:
            raise UsageError(f"{word!r} is not known here; {nearest(word, known) or 'see --help'}")
    request = {
        "ask": "command",
        "unit": "" if unit == "line" else unit,
        "name": name,
        "argument": " ".join(argument or ()),
        "by": by or getpass.getuser(),
    }
    answer = ask(site, request)
    if "error" in answer:
        raise UsageError(answer["error"])
    if as_json:
        say_json(answer)
    elif answer["accepted"]:
        say(Text(f"{unit} {name}: accepted"))
    else:
        say(Text(f"{unit} {name}: refused: {answer['why']}"))
    if not answer["accepted"]:
        raise typer.Exit(REFUSED)
