"""`linectl checkout-sheet SITE`: where the IO checkout stands, to print, to open, to read."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer
from rich.text import Text

from linectl import __version__
from linectl.cli.app import AsJson, SiteFolder, app
from linectl.cli.checkout_page import moment, write_checkout
from linectl.cli.moments import wall_clock
from linectl.cli.screen import complain, heading, say, say_json, table
from linectl.cli.writable import will_be_written
from linectl.commission.checkout.record import checkout_standing
from linectl.commission.checkout.sheet import COLUMNS, CheckoutSheet, checkout_sheet
from linectl.errors import UsageError
from linectl.site.load import load_site
from linectl.site.rowfile import SPREADSHEET, rows_text

TAGS_SHOWN = 12
"""Tags of points never tried that the screen names; the page has them all."""
EXAMPLE = """
Examples:

  linectl checkout-sheet config/fennmark

  linectl checkout-sheet config/fennmark --html io.html --csv io-checkout.csv
"""


@app.command("checkout-sheet", epilog=EXAMPLE)
def checkout_sheet_command(
    site: SiteFolder,
    html: Annotated[
        Path | None, typer.Option(help="Write the sheet as a page to print: FILE.html.")
    ] = None,
    csv: Annotated[
        Path | None, typer.Option(help="Write a row a point, to open: FILE.csv.")
    ] = None,
    as_json: AsJson = False,
) -> None:
    """Shows the IO checkout: passed, retested, failed, reopened and why, open; the punch list.

    From the record beside the site's files; nothing is asked of the line. The page prints across
    on A4 or Letter, has every try of every point, and lines to sign.
    """
    for path, ending in ((html, ".html"), (csv, ".csv")):
        if path is not None:
            _may_be_written(path, ending, site)
    made = sheet_now(site)
    if html is not None:
        write_checkout(html, made)
    if csv is not None:
        csv.write_bytes(sheet_csv(made))
    if as_json:
        say_json(made.as_json())
        return
    _print(made)
    for path in (html, csv):
        if path is not None:
            say(Text(f"{path}: {made.whole.points} points"))


def _may_be_written(path: Path, ending: str, site: Path) -> None:
    """Raises UsageError for another ending and for a place among the records themselves."""
    if path.suffix.lower() != ending:
        raise UsageError(f"{path}: name a file that ends in {ending}")
    if path.resolve().parent == site.resolve():
        raise UsageError(
            f"{path}: the site's folder holds the records; write the sheet somewhere else"
        )
    will_be_written(path)


def sheet_now(folder: Path) -> CheckoutSheet:
    """The sheet as it is to be printed now. Raises SiteError."""
    now = wall_clock().isoformat(timespec="seconds")
    return checkout_sheet(checkout_standing(load_site(folder)), now, __version__)


def sheet_csv(sheet: CheckoutSheet) -> bytes:
    """As spreadsheets open it."""
    return rows_text(COLUMNS, sheet.csv_rows(), SPREADSHEET).encode(SPREADSHEET.encoding)


def _print(sheet: CheckoutSheet) -> None:
    whole = sheet.whole
    for finding in sheet.standing.unreadable:
        complain(str(finding))
    counts = (
        f"passed {whole.passed} (on retest {whole.retested}), failed {whole.failed},"
        f" reopened {whole.reopened}, open {whole.open}"
    )
    say(heading(f"{sheet.standing.site.name}: {whole.points} points"), Text(counts))
    columns = ">points|>passed|>on retest|>failed|>reopened|>open"
    for title, rows in (("station", sheet.per_station), ("device", sheet.per_device)):
        say(Text())
        say(table(f"{title}|{columns}", (
            (t.name, t.points, t.passed, t.retested, t.failed, t.reopened, t.open) for t in rows
        )))  # fmt: skip
    say(Text())
    punch = sheet.punch_list
    say(heading("Punch list"), Text("" if punch else "no deficiency is on record"))
    if punch:
        say(table(">no|state|tag|what was found|by|when", (
            (d.number, "closed" if d.closed else "OPEN", d.tag, d.what, d.opened.by,
             moment(d.opened.at)) for d in punch
        )))  # fmt: skip
    if again := sheet.standing.of("reopened"):
        say(Text())
        say(heading("Reopened"), Text("their last try counts no more"))
        say(table("tag|why", ((one.point.tag, one.why_open) for one in again)))
    if never := [one.point.tag for one in sheet.standing.of("open")]:
        more = f" and {len(never) - TAGS_SHOWN} more" if len(never) > TAGS_SHOWN else ""
        say(Text())
        say(heading("Never tried"), Text(", ".join(never[:TAGS_SHOWN]) + more))
