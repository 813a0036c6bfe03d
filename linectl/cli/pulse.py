"""`linectl pulse SITE TAG --for TIME`: one pulse of an output in maintenance, by a named person."""

from __future__ import annotations

import sys
import time
from collections.abc import Mapping
from typing import Annotated, Any

import typer
from rich.text import Text

from linectl.cli import granting
from linectl.cli.app import AsJson, SiteFolder, app
from linectl.cli.screen import complain, heading, say, say_json
from linectl.commission.controller import Commanded, RunningController
from linectl.errors import UsageError
from linectl.line.pulse_limits import companions, pulse_most_ms
from linectl.site.complaints import nearest
from linectl.site.durations import format_duration
from linectl.site.load import load_site
from linectl.site.model import Site
from linectl.site.parts import needs_of

CAUTION = (
    "CAUTION: a pulse moves the machine. Whoever works inside it: isolate, lock and try first. See"
    " who is at the machine, from mouth to tail, and under the decks; the enabling device is in the"
    " hand of somebody who sees all of it, and is let go to stop. A gutter that a pulse moves is no"
    " longer where the record has it. Local codes come first. linectl is not a safety function:"
    " SAFETY.md."
)
LOOK_S = 0.1
"""Between two looks at the pulse."""
EXAMPLE = """
Examples:

  linectl pulse config/small fill.run --for 2s --by anna

  linectl pulse config/small lane1.lift.up --for 2s --with lane1.lift.brake=1 --by anna

  linectl pulse config/small fill.doser_rate --value 250 --for 30s --by anna

  linectl pulse config/small --end --by anna
"""
TRAVELS = ("stays", "extends")
"""What an actuator does when its output is lost that means: it may travel its whole stroke."""


@app.command(epilog=EXAMPLE)
def pulse(
    site: SiteFolder,
    tag: Annotated[str, typer.Argument(metavar="[TAG]", help="An output of the IO list.")] = "",
    duration: Annotated[
        str, typer.Option("--for", metavar="DURATION", help="For how long: 500ms, 2s.")
    ] = "",
    value: Annotated[
        str, typer.Option(help="Of a set-point, in the unit of io.csv; or 1 or 0.")
    ] = "",
    beside: Annotated[
        list[str] | None,
        typer.Option("--with", metavar="OTHER=VALUE", help="An output of the same part."),
    ] = None,
    lead: Annotated[
        str, typer.Option(metavar="DURATION", help="What goes with it is on so long before it.")
    ] = "",
    by: granting.By = "",
    end: granting.End = False,
    yes: granting.Yes = False,
    as_json: AsJson = False,
) -> None:
    """Pulses one output of a running controller, and says how it ended.

    Its units are in maintenance (`linectl command SITE UNIT mode maintenance`). What moves waits a
    minute for the zone's enabling device, then sounds horn and beacon, and is on while the device
    is held, no interlock forbids it and its time lasts. At a terminal the tag is typed once more.

    With --json one object: tag, value, others, for_ms, by, stage (ended, or refused: it never was
    on), ended_by (time, enabling, warning, interlock: CAUSE, device, mode, person,
    control place), ran_ms.
    Exit 1 unless its whole time ran.
    """
    granting.complete({"--by": by})
    if end:
        granting.command(site, "pulse-end", "", by, as_json)
        return
    if not tag:
        raise UsageError("name an output, or say --end")
    granting.complete({"--for": duration})
    said = [tag, duration, value, *(beside or ()), *([f"lead={lead}"] if lead else ())]
    _confirmed(load_site(site), tag, yes)
    controller = RunningController(site)
    why = controller.command("pulse", " ".join(word for word in said if word), by)
    if why is not None:
        _refused(tag, why, as_json)
    last = _followed(controller, quiet=as_json)
    if as_json:
        say_json(last)
    else:
        say(Text(f"{tag}: {last['stage']}, by {last['ended_by']}; it was on {_span(last)}"))
    if last["ended_by"] != "time":
        raise typer.Exit(granting.REFUSED)


def _confirmed(site: Site, tag: str, yes: bool) -> None:
    """A person reads what will move and types the tag, or a script has said that one has.

    Raises UsageError for no output, or where nobody can be asked; typer.Exit for another word.
    """
    need = needs_of(site.file).get(tag)
    point = next((point for point in site.points if point.tag == tag), None)
    if need is None or point is None or point.direction == "in":
        outputs = [point.tag for point in site.points if point.direction == "out"]
        raise UsageError(f"{tag!r} is no output of this site; {nearest(tag, outputs)}")
    if yes:
        return
    most = format_duration(pulse_most_ms(site, tag))
    told = [f"{tag}: {need.role.text}; {point.note or point.device}; {most} at most."]
    if point.on_loss in TRAVELS and need.role.moves:
        told.append(f"It {point.on_loss} when the output is lost: it may travel its whole stroke.")
    if wanted := companions(site, tag):
        told.append(f"It goes only together with {' or '.join(wanted)}.")
    if not sys.stdin.isatty():
        raise UsageError(f"{CAUTION}\nNobody can be asked here: say --yes. Nothing was altered.")
    complain(CAUTION)
    complain(" ".join(told))
    if typer.prompt("Type the tag to go on", default="", err=True, show_default=False) != tag:
        complain("Nothing was altered.")
        raise typer.Exit(granting.REFUSED)


def _refused(tag: str, why: str, as_json: bool) -> None:
    if as_json:
        say_json({"accepted": False, "why": why})
    else:
        say(Text(f"pulse {tag}: refused: {why}"))
    raise typer.Exit(granting.REFUSED)


def _followed(controller: Commanded, quiet: bool) -> Mapping[str, Any]:
    """Until it is over: each stage as it comes. The status' `last_pulse`."""
    stage = ""
    while True:
        status = controller.status()
        present = status["pulse"]
        if present is None:
            last: Mapping[str, Any] = status["last_pulse"]
            return last
        if present["stage"] != stage and not quiet:
            stage = present["stage"]
            say(heading(f"{stage}:"), Text(f"{SAID[stage]} ({present['left_s']:.0f} s)"))
        time.sleep(LOOK_S)


SAID = {
    "waits": "hold the enabling device of the zone now",
    "warned": "horn and beacon sound; keep it held",
    "leads": "what goes with it is on",
    "begun": "it is on",
}


def _span(last: Mapping[str, Any]) -> str:
    return format_duration(int(last["ran_ms"]))
