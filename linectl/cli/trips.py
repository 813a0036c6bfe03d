"""`linectl trips SITE [NUMBER]`: the stops that are kept, and one with what led to it."""

from __future__ import annotations

import datetime as dt
from pathlib import Path
from typing import Annotated, Any

import typer
from jinja2 import Environment, PackageLoader, StrictUndefined
from rich.text import Text

from linectl import __version__
from linectl.cli.app import AsJson, SiteFolder, app
from linectl.cli.run import LEDGER
from linectl.cli.screen import heading, say, say_json, table
from linectl.cli.trip_traces import (
    HEIGHT,
    LEGEND,
    WIDTH,
    axis,
    gaps,
    path,
    strip,
    traces,
)
from linectl.errors import Unreachable, UsageError
from linectl.ledger.trips import KeptTrip, read_trip, read_trips
from linectl.line.trip_marks import sentence
from linectl.runtime.trip_record import time_of_day
from linectl.site.load import load_site

ROWS_SHOWN = 30
"""Trips listed, and courses of points drawn in the terminal; --json and the page have all."""
EXAMPLE = """
Examples:

  linectl trips config/small

  linectl trips config/small 12 --report trip.html
"""


@app.command(epilog=EXAMPLE)
def trips(
    site: SiteFolder,
    number: Annotated[
        int | None, typer.Argument(metavar="[NUMBER]", help="One trip, as numbered in the list.")
    ] = None,
    ledger: Annotated[
        Path | None, typer.Option(help=f"The ledger's file; {LEDGER} in the site's folder if not.")
    ] = None,
    report: Annotated[
        Path | None, typer.Option(help="Write the trip as an HTML page, to look at and to print.")
    ] = None,
    as_json: AsJson = False,
) -> None:
    """Lists the stops by causes that the ledger keeps; with a number, one of them in detail.

    What came first, what followed, and inputs and outputs from five seconds before to two after.
    The times of causes are as good as the ages of their readings: the line says how good. Works
    while the controller runs, and after a power cut.
    """
    name, file = load_site(site).name, str(ledger or site / LEDGER)
    if number is None:
        if report is not None:
            raise UsageError("--report wants one trip: name its number")
        _list(name, read_trips(file, name), as_json)
        return
    kept = read_trip(file, name, number)
    if report is not None:
        _write(report, name, kept)
    if as_json:
        say_json({"site": name, "trip": {**_plain(kept), "window": kept.window}})
    else:
        _show(kept)


def _plain(kept: KeptTrip) -> dict[str, Any]:
    keys = {"id": kept.id, "boot": kept.boot, "wall_ms": kept.wall_ms, "complete": kept.complete}
    return {**keys, "text": _sentence(kept), **kept.told}


def _sentence(kept: KeptTrip) -> str:
    return sentence(kept.told, time_of_day(kept.wall_ms))


def _day(kept: KeptTrip) -> str:
    return dt.datetime.fromtimestamp(kept.wall_ms / 1000).strftime("%Y-%m-%d")


def _list(site: str, kept: list[KeptTrip], as_json: bool) -> None:
    if as_json:
        say_json({"site": site, "trips": [_plain(trip) for trip in kept]})
        return
    count = f"{len(kept)} trip{'s' if len(kept) != 1 else ''} kept" if kept else "no trip is kept"
    say(heading(f"{site}:"), Text(count))
    rows = [
        [trip.id, _day(trip), "over" if trip.told["ended"] else "STANDS", _sentence(trip)]
        for trip in kept[:ROWS_SHOWN]
    ]
    if rows:
        say(table(">number|day|now|what came first", rows))
    if len(kept) > ROWS_SHOWN:
        say(Text(f"and {len(kept) - ROWS_SHOWN} older ones: --json has them all"))


def causes(kept: KeptTrip) -> list[list[object]]:
    """Every mark of a trip as a row: what it is, in words, its points, when it came."""
    began = kept.told["began_ms"]
    words = {"first": "FIRST", "after": "after it", "apart": "apart"}
    tie = kept.told["tie"]
    return [
        [
            "TIE" if tie and mark["is"] == "first" else words[mark["is"]],
            mark["text"],
            mark["where"],
            f"{mark['earliest_ms'] - began:+d} … {mark['latest_ms'] - began:+d} ms",
            _why(mark),
        ]
        for mark in kept.told["marks"]
    ]


def _why(mark: dict[str, Any]) -> str:
    if mark["is"] != "after":
        return ""
    return f"follows from {mark['follows']}" if mark["follows"] else "the line's own stop"


def _show(kept: KeptTrip) -> None:
    say(heading(f"Trip {kept.id}, {_day(kept)}:"), Text(_sentence(kept)))
    say(table("what|in words|points|>came between|why it is no first", causes(kept)))
    if kept.told["cut"]:
        say(Text("went off: " + ", ".join(kept.told["cut"])))
    say(Text())
    drawn, window = traces(kept), kept.window
    if window is None:
        say(Text("what led to it was not kept"))
        return
    if not kept.complete:
        say(Text("the two seconds after it are not there: the controller ended before"))
    began = kept.told["began_ms"]
    start, end = window["from_ms"] - began, window["to_ms"] - began
    rows = [
        [trace.tag, "out" if trace.output else "in", strip(trace, start, end)]
        for trace in drawn[:ROWS_SHOWN]
    ]
    say(table(f"point||{axis(start, end)}", rows))
    if len(drawn) > ROWS_SHOWN:
        say(Text(f"and {len(drawn) - ROWS_SHOWN} more that changed: --report draws them all"))
    say(Text(LEGEND))


def _write(file: Path, site: str, kept: KeptTrip) -> None:
    window = kept.window or {"from_ms": 0, "to_ms": 0}
    began = kept.told["began_ms"]
    start, end = window["from_ms"] - began, window["to_ms"] - began
    environment = Environment(
        loader=PackageLoader("linectl.cli", "pages"), autoescape=True, undefined=StrictUndefined
    )
    scale = WIDTH / max(end - start, 1)
    page = environment.get_template("trip.html").render(
        site=site, kept=kept, day=_day(kept), text=_sentence(kept), causes=causes(kept),
        traces=[(trace, path(trace, start, end), gaps(trace, start, end))
                for trace in traces(kept)],
        seconds=[(second, (second * 1000 - start) * scale)
                 for second in range(-(-start // 1000), end // 1000 + 1)],
        zero=-start * scale, width=WIDTH, height=HEIGHT, version=__version__,
    )  # fmt: skip
    try:
        file.write_text(page, encoding="utf-8")
    except OSError as error:
        raise Unreachable(f"{file}: cannot be written ({error.strerror})") from error
