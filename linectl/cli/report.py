"""`linectl report SITE`: a shift as the ledger recorded it, for whoever answers for it."""

from __future__ import annotations

import datetime as dt
from pathlib import Path
from typing import Annotated

import typer

from linectl.cli.app import AsJson, SiteFolder, app
from linectl.cli.moments import a_day, a_time
from linectl.cli.run import LEDGER
from linectl.cli.screen import complain, say_json
from linectl.cli.writable import will_be_written
from linectl.errors import UsageError
from linectl.ledger.clock import wall_ms
from linectl.runtime.shift_calendar import Span, last_finished, shift_of, unix_ms
from linectl.runtime.shift_report import report as read_report
from linectl.site.load import load_site
from linectl.site.model import Shift

EXAMPLE = """
Examples:

  linectl report config/small

  linectl report config/small --shift 2026-03-02 --html shift.html --csv shift-tables

  linectl report config/small --from "2026-03-02 06:00" --to "2026-03-02 07:30" --json
"""


@app.command(epilog=EXAMPLE)
def report(
    site: SiteFolder,
    ledger: Annotated[
        Path | None, typer.Option(help=f"The ledger's file; {LEDGER} in the site's folder if not.")
    ] = None,
    shift: Annotated[
        dt.date | None,
        typer.Option(parser=a_day, metavar="DATE", help="The shift that begins on that day."),
    ] = None,
    from_: Annotated[
        dt.datetime | None,
        typer.Option(
            "--from", parser=a_time, metavar="TIME", help="Instead of a shift: from when."
        ),
    ] = None,
    to: Annotated[
        dt.datetime | None, typer.Option(parser=a_time, metavar="TIME", help="And until when.")
    ] = None,
    html: Annotated[
        Path | None, typer.Option(help="Write a page to look at and to print: FILE.html.")
    ] = None,
    csv: Annotated[
        Path | None, typer.Option(help="Write every table as a CSV file into this folder.")
    ] = None,
    as_json: AsJson = False,
) -> None:
    """Reports a shift: gutters, waits by reason, stops, takt, alarms, OEE, ages by lane.

    From the ledger, also while the controller runs. Without --shift or --from the last finished
    shift of the site's calendar. The ages are those of now. Times are local. Plots in the page
    need the extra `report`.
    """
    loaded = load_site(site)
    now_ms = wall_ms()
    span = _span(loaded.file.shift, shift, from_, to, now_ms)
    if html is not None:
        will_be_written(html)
    if csv is not None and csv.exists() and not csv.is_dir():
        raise UsageError(f"{csv}: is a file; name a folder for the tables")
    found = read_report(loaded, str(ledger or site / LEDGER), span, now_ms)
    if csv is not None:
        from linectl.cli.shift_csv import write_tables

        write_tables(csv, found)
    if html is not None:
        from linectl.cli.shift_page import write_shift

        if not write_shift(html, found):
            complain("The page has no plots: they need the extra `report` (matplotlib).")
    if as_json:
        say_json(found.told)
    else:
        from linectl.cli.shift_text import print_report

        print_report(found)


def _span(
    shift: Shift, day: dt.date | None, start: dt.datetime | None, end: dt.datetime | None,
    now_ms: int,
) -> Span:  # fmt: skip
    """The time that is asked for."""
    if start is None and end is None:
        return last_finished(shift, now_ms) if day is None else shift_of(shift, day)
    if day is not None:
        raise UsageError("--shift names a shift, --from and --to a time: leave one out")
    if start is None:
        raise UsageError("--to wants a beginning: add --from")
    span = Span(unix_ms(start), now_ms if end is None else unix_ms(end))
    if span.length_ms <= 0:
        raise UsageError("--from is not before --to")
    return span
