"""`linectl run SITE`: controls the line on its field devices, until told to stop."""

from __future__ import annotations

import time
from collections.abc import Mapping
from pathlib import Path
from typing import Annotated, Any

import typer
from rich.text import Text

from linectl.cli.app import AsJson, SiteFolder, app
from linectl.cli.ending import until_signalled
from linectl.cli.options import Lanes, TraceFile
from linectl.cli.released import release_word
from linectl.cli.screen import complain, say, say_json
from linectl.cli.status import print_status
from linectl.cli.telling import Telling
from linectl.commission.device_record import unconfirmed
from linectl.commission.readiness.release import ReleaseLook
from linectl.errors import LinectlError, UsageError
from linectl.field.wiring import read_endpoints
from linectl.runtime.live import control_site
from linectl.runtime.plant_talk import plant_answers
from linectl.runtime.release import Look, Released
from linectl.runtime.standing import standing
from linectl.site.load import load_site

LEDGER = "ledger.sqlite3"
EXAMPLE = """
Examples:

  linectl run config/fennmark --ledger /var/lib/linectl/fennmark.sqlite3

  linectl run config/small --at plant.json --rehearsal
"""
REHEARSAL = "rehearsal on the plant model"


@app.command(epilog=EXAMPLE)
def run(
    site: SiteFolder,
    at: Annotated[
        Path | None, typer.Option(help="Go to a running plant: the file that it wrote.")
    ] = None,
    ledger: Annotated[
        Path | None, typer.Option(help=f"The ledger's file; {LEDGER} in the site's folder if not.")
    ] = None,
    lanes: Lanes = "empty",  # type: ignore[assignment]  # typer parses the text
    trace: TraceFile = None,
    rehearsal: Annotated[
        bool,
        typer.Option(
            "--rehearsal", help="With --at a running plant model: production uncommissioned."
        ),
    ] = False,
    as_json: AsJson = False,
) -> None:
    """Controls the line on its field devices.

    Says what it controls, then a line for each change of a unit or a bus. Ctrl-C ends it.

    Until the list of `linectl commission` is done, or overridden by a named person, it refuses to
    start in dry cycle or production, and says what is next; both units then begin in maintenance.
    What was released meanwhile is seen without a new start. On a plant model --rehearsal lifts
    that, and `status` says so.

    A new ledger is told what stands in the lanes by --lanes. Nothing moves until a person resets
    and starts a unit: see `linectl command --help`. When it ends, outputs are safe before it
    goes. After trouble on a bus its last frames lie in a folder beside the ledger, for `linectl
    frames`. It is not a safety function: see SAFETY.md.
    """
    loaded = load_site(site)
    if waits := unconfirmed(loaded):
        raise LinectlError("\n".join((*waits, "Nothing was started.")))
    look = _release(site, at, rehearsal)
    with until_signalled() as ending, Telling(say_json if as_json else Told()) as telling:
        control_site(
            loaded,
            ending,
            ledger=str(ledger or site / LEDGER),
            reach=None if at is None else read_endpoints(at, loaded),
            stock=standing(loaded, lanes),
            on_status=telling,
            site_folder=site,
            trace=trace,
            on_remark=complain,
            release=look,
        )


def _release(site: Path, at: Path | None, rehearsal: bool) -> Look:
    """Where the word comes from whether the line may start. Raises UsageError, Unreachable."""
    if not rehearsal:
        return ReleaseLook(site)
    if at is None:
        raise UsageError(
            "--rehearsal is for a running plant model: say also --at FILE, the file that `linectl"
            " plant` wrote. On the machine the list is worked through: linectl commission SITE"
        )
    plant_answers(at)
    return lambda status: Released(note=REHEARSAL)


class Told:
    """What a person at the terminal is told: the whole status once, then a line per change."""

    def __init__(self) -> None:
        self._states: dict[str, str] | None = None

    def __call__(self, status: Mapping[str, Any]) -> None:
        states = {name: unit["state"] for name, unit in status["units"].items()}
        states |= {f"bus {b['name']}": "up" if b["up"] else "DOWN" for b in status["buses"]}
        if (word := release_word(status)) is not None:
            states["production"] = word
        if self._states is None:
            print_status(status)
        else:
            reasons = {name: unit["reason"] for name, unit in status["units"].items()}
            at = time.strftime("%H:%M:%S")
            for name, state in states.items():
                before = self._states.get(name)
                if state != before:
                    why = f": {reasons[name]}" if reasons.get(name) else ""
                    say(Text(f"{at} {name} {before} → {state}{why}"), soft_wrap=True)
        self._states = states
