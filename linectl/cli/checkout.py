"""`linectl checkout SITE`: IO checkout, one person alone at the machine; or where it stands."""

from __future__ import annotations

import time
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Annotated

import typer
from rich.text import Text

from linectl.cli.app import AsJson, SiteFolder, app
from linectl.cli.moments import wall_clock
from linectl.cli.options import duration_ms
from linectl.cli.screen import complain, say, say_json, table
from linectl.cli.someone import Answers, PlantFile, a_name, script_of, someone
from linectl.commission.checkout.facts import Facts
from linectl.commission.checkout.order import chosen
from linectl.commission.checkout.outcome import TOLERANCE, Terms
from linectl.commission.checkout.record import FILE, CheckoutStanding, checkout_standing
from linectl.commission.checkout.walk import Walk, counted, open_rows
from linectl.commission.controller import RunningController
from linectl.errors import UsageError
from linectl.site.load import load_site

FAILED = 1
LOOK_EVERY_S = 0.05
"""The controller says in which scan things moved, so that it need not be asked in every one."""
EXAMPLE = """
Examples, while `linectl run` controls the site:

  linectl checkout config/small --by 'A. Example' --only fill

  linectl checkout config/small --list

  linectl checkout config/small --answers evening.yaml --plant plant.json
"""

Only = Annotated[
    list[str] | None,
    typer.Option("--only", help="A tag, station, lane, zone or device. Repeatable."),
]
Again = Annotated[bool, typer.Option("--again", help="Points that have passed too.")]
By = Annotated[str, typer.Option("--by", help="Who does it; asked if left out.")]
Witness = Annotated[str, typer.Option("--witness", help="Who looks on, if anybody.")]
Instrument = Annotated[
    str, typer.Option("--instrument", help="What is measured with: name and number.")
]
Wait = Annotated[
    int,
    typer.Option(
        "--wait", parser=duration_ms, metavar="DURATION",
        help="How long an armed point may stay still before it is asked whether it is dead.",
    ),
]  # fmt: skip
Tolerance = Annotated[
    float,
    typer.Option(
        "--tolerance", min=0.0, max=1.0, help="Share of the span by which a number may be off."
    ),
]
Range = Annotated[
    list[str] | None,
    typer.Option(
        "--range", metavar="TAG=LOW..HIGH", help="Span over which a number is tried. Repeatable."
    ),
]
Listed = Annotated[bool, typer.Option("--list", help="What is open and why; tries nothing.")]


@app.command(epilog=EXAMPLE)
def checkout(
    site: SiteFolder,
    only: Only = None,
    again: Again = False,
    by: By = "",
    witness: Witness = "",
    instrument: Instrument = "",
    wait: Wait = "2m",  # type: ignore[assignment]  # typer parses the text
    tolerance: Tolerance = TOLERANCE,
    ranges: Range = None,
    answers: Answers = None,
    plant: PlantFile = None,
    listed: Listed = False,
    as_json: AsJson = False,
) -> None:
    """Checks out every point of the IO list in the field, one person alone, on record.

    It arms an input, you act at the device, it sees the edge, says so and goes on; what moved
    instead is named. Outputs: what will move is said first, then one confirmed pulse in
    maintenance, while you hold the zone's enabling device. Numbers: five points up and down.
    Every try is kept in checkout.csv; `q` or Ctrl-C at a question ends, the same command goes on.

    Exit 1 if a point tried failed. With --json and no --answers it only says where it stands.
    """
    loaded = load_site(site)
    standing = checkout_standing(loaded)
    for finding in standing.unreadable:
        complain(str(finding))
    if listed or (as_json and answers is None):
        _told(standing, as_json)
        return
    script = script_of(answers, plant)
    facts = Facts(loaded)
    tags = chosen(standing, facts, only or (), again)
    if not tags:
        _told(standing, as_json)
        return
    spans = _ranges(ranges or (), facts)
    controller = RunningController(site)
    controller.look(-1)  # before anybody is asked for anything: is there one?
    with someone(script, plant, quiet=as_json) as person:
        name = a_name(person, by or (script.by if script else ""), "who does it")
        terms = Terms(
            name, witness or (script.witness if script else ""),
            instrument or (script.instrument if script else ""), wall_clock,
            lambda: time.sleep(LOOK_EVERY_S), wait, tolerance, spans,
        )  # fmt: skip
        person.say(f"{loaded.name}: IO checkout, points to go: {len(tags)}")
        counts = Walk(facts, tags, controller, person, terms).run()
    after = checkout_standing(loaded)
    if as_json:
        say_json(after.as_json())
    else:
        say(Text(f"{counted(counts)}; {_where(after)}"), soft_wrap=True)
    if counts["failed"]:
        raise typer.Exit(FAILED)


def _ranges(texts: Sequence[str], facts: Facts) -> Mapping[str, tuple[float, float]]:
    """`TAG=LOW..HIGH`, each. Raises UsageError."""
    made = {}
    for text in texts:
        tag, _, span = text.partition("=")
        try:
            low, high = (float(part) for part in span.split(".."))
        except ValueError:
            low = high = 0.0
        if tag not in facts.items or low >= high:
            raise UsageError(
                f"--range {text!r}: write TAG=LOW..HIGH, such as fill.hopper_level=0..1500"
            )
        made[tag] = (low, high)
    return made


def _told(standing: CheckoutStanding, as_json: bool) -> None:
    """Where it stands, and what is open."""
    if as_json:
        say_json(standing.as_json())
        return
    rows = open_rows(standing)
    if rows:
        say(table("state|tag|device|found, or why it is open|>no.|last try", rows))
    say(Text(_where(standing)), soft_wrap=True)


def _where(standing: CheckoutStanding) -> str:
    told = standing.as_json()
    counts = ", ".join(f"{told[key]} {key}" for key in ("passed", "failed", "reopened", "open"))
    return f"{standing.site.name}: {counts} of {told['points']}; the record is {_file(standing)}"


def _file(standing: CheckoutStanding) -> Path:
    return Path(standing.site.folder) / FILE
