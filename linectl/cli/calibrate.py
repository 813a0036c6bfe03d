"""`linectl calibrate SITE WHAT`: a device run and measured, as found, put right, as left."""

from __future__ import annotations

import datetime as dt
import time
from pathlib import Path
from typing import Annotated

import typer

from linectl.cli.app import AsJson, SiteFolder, app
from linectl.cli.calibrate_timers import CYCLES, TimersAsked, calibrate_timers
from linectl.cli.calibrated import check_plot, list_calibrations, say_outcome
from linectl.cli.moments import a_time, wall_clock
from linectl.cli.screen import heading, say, say_json
from linectl.cli.someone import Answers, PlantFile, a_name, script_of, someone
from linectl.commission.calibrate.guides import GUIDES
from linectl.commission.calibrate.work import Outcome, Terms, Work
from linectl.commission.controller import RunningController
from linectl.commission.person import Ended, Person
from linectl.errors import UsageError
from linectl.site.complaints import nearest
from linectl.site.load import load_site

FAILED = 1
TIMERS = "timers"
LOOK_EVERY_S = 0.1
EXAMPLE = """
carriage: its places, by jog or by pulses that find the flag's edges from both sides.

timers: what steps took in good cycles (no alarm stood that concerns the part) beside their
time-outs, and which have drifted since last time (timers.csv). Proposed: the longest seen, or the
motion by the site's lengths, a quarter more, and what the controller needs to see its end; never
above the jam limit, without one never longer. Without --by it is only shown.

Examples, while `linectl run` controls the site:

  linectl calibrate config/small doser --by 'A. Example' --instrument 'scale no. 4'

  linectl calibrate config/small drum --crop rocket --by 'A. Example' --plot vacuum.svg

  linectl calibrate config/small doser --undo --by 'A. Example'

  linectl calibrate config/small carriage --by 'A. Example' --instrument 'its encoder'

  linectl calibrate config/small timers --by 'A. Example' --html timers.html

  linectl calibrate config/small --list
"""

What = Annotated[
    str,
    typer.Argument(metavar="[WHAT]", help=f"One of {', '.join(GUIDES)}, timers; none with --list."),
]
By = Annotated[str, typer.Option("--by", help="Who measures; asked if left out.")]
Instrument = Annotated[
    str, typer.Option("--instrument", help="What is measured with: name and number.")
]
Lot = Annotated[
    str | None, typer.Option("--lot", help="The substrate or seed lot it is measured with.")
]
ValidUntil = Annotated[
    dt.datetime | None,
    typer.Option("--valid-until", formats=["%Y-%m-%d"], help="The last day on which it is good."),
]
OfCrop = Annotated[str, typer.Option("--crop", help="Of the drum: the crop whose own seed it is.")]
Plot = Annotated[
    Path | None,
    typer.Option("--plot", help="Of the drum: draw what vacuum did, FILE.svg or FILE.png."),
]
Undo = Annotated[bool, typer.Option("--undo", help="Put back what the last round has written.")]
Listed = Annotated[
    bool, typer.Option("--list", help="What stands in calibration.yaml and how it came there.")
]

Cycles = Annotated[
    int, typer.Option("--cycles", min=1, help="Of timers: good cycles that every station has had.")
]
Begin = Annotated[
    dt.datetime | None,
    typer.Option("--from", parser=a_time, metavar="TIME", help="Of timers: cycles from then on."),
]
End = Annotated[
    dt.datetime | None,
    typer.Option("--to", parser=a_time, metavar="TIME", help="Of timers: and up to then; no wait."),
]
Events = Annotated[
    Path | None,
    typer.Option("--events", help="Of timers: from what `rehearse --events` has written."),
]
Html = Annotated[Path | None, typer.Option("--html", help="Of timers: a page with the plot.")]
Yes = Annotated[bool, typer.Option("--yes", help="Of timers: take every proposal unasked.")]


@app.command(epilog=EXAMPLE)
def calibrate(
    site: SiteFolder,
    what: What = "",
    by: By = "",
    instrument: Instrument = "",
    lot: Lot = None,
    valid_until: ValidUntil = None,
    crop: OfCrop = "",
    plot: Plot = None,
    undo: Undo = False,
    answers: Answers = None,
    plant: PlantFile = None,
    listed: Listed = False,
    cycles: Cycles = CYCLES,
    begin: Begin = None,
    end: End = None,
    events: Events = None,
    html: Html = None,
    yes: Yes = False,
    as_json: AsJson = False,
) -> None:
    """Calibrates a device of a running line in maintenance, guided, on record.

    You hold the enabling device, the controller runs the device for a stated time, you type what
    came. As found first, then the new factor with its uncertainty, then a run that verifies it. Odd
    runs are to be repeated, and too much spread is refused. The change of calibration.yaml is
    shown before it is made; every round is kept in calibrations.csv; `q` ends at any question.

    Exit 1 if it was refused or not brought to an end. --json: without --answers only the list.
    """
    if what == TIMERS and not listed:
        calibrate_timers(
            site, TimersAsked(cycles, begin, end, events, html, by, answers, yes, undo, as_json)
        )
        return
    if listed or (as_json and answers is None):
        list_calibrations(load_site(site), as_json)
        return
    _check_wish(what, plot)
    script = script_of(answers, plant)
    if not undo:
        RunningController(site).look(-1)  # before anybody is asked for anything: is there one?
    with someone(script, plant, quiet=as_json) as person:
        terms = Terms(
            by=a_name(person, by or (script.by if script else ""), "who measures"),
            now=wall_clock,
            pause=lambda: time.sleep(LOOK_EVERY_S),
            instrument=instrument or (script.instrument if script else ""),
            lot=lot,
            valid_until=valid_until.date() if valid_until else None,
            crop=crop,
        )
        outcome = _round(site, what, undo, person, terms, as_json)
    if not as_json:
        say_outcome(outcome, plot)
    if not outcome.fine:
        raise typer.Exit(FAILED)


def _check_wish(what: str, plot: Path | None) -> None:
    """Raises UsageError for what cannot be asked, Unreachable for a plot that cannot be drawn."""
    if what not in GUIDES:
        known = (*GUIDES, TIMERS)
        if not what:
            raise UsageError(f"say what is calibrated: {', '.join(known)}; or --list")
        near = nearest(what, known) or f"one of {', '.join(known)} is"
        raise UsageError(f"{what!r} is nothing to calibrate; {near}")
    if plot is not None:
        check_plot(plot)


def _round(
    folder: Path, what: str, undo: bool, person: Person, terms: Terms, as_json: bool
) -> Outcome:
    site = load_site(folder)
    controller = RunningController(folder)
    guide = GUIDES[what]
    if not as_json:
        say(heading(f"{site.name}: calibrate {what}: {guide.text}"))
    person.about(what)
    work = Work(site, controller, person, terms)
    try:
        outcome = guide.undo(work) if undo else guide.run(work)
    except Ended:
        outcome = Outcome(what, "ended", "the person ended it")
    if as_json:
        say_json(outcome.as_json(site.name))
    return outcome
