"""Writes the sheet of an IO checkout as one HTML page: A4 or letter, across, also in grey."""

from __future__ import annotations

import datetime as dt
from pathlib import Path

from jinja2 import Environment, PackageLoader, StrictUndefined

from linectl.cli.plots import can_draw
from linectl.cli.plots.analogues import SAYS, draw_errors
from linectl.cli.shift_page import write_page
from linectl.commission.checkout.sheet import CheckoutSheet
from linectl.commission.kept_rows import plain_cell

MARKS = {"passed": "✓", "retested": "✓", "failed": "✗", "open": "○", "reopened": "↺"}
"""Beside the word, never instead of it."""
WORDS = {
    "passed": "passed",
    "retested": "passed on retest",
    "failed": "FAILED",
    "open": "open",
    "reopened": "REOPENED",
}
EMPTY_LINES = 2
"""Lines to sign for people who are not in the record: owner, integrator."""


def write_checkout(path: Path, sheet: CheckoutSheet) -> None:
    """Write the page. Raises Unreachable if the file cannot be written."""
    write_page(path, page(sheet))


def page(sheet: CheckoutSheet) -> str:
    """The sheet as one HTML page; pictures of analogues only with the extra `report`."""
    environment = Environment(
        loader=PackageLoader("linectl.cli", "pages"), autoescape=True, undefined=StrictUndefined,
        finalize=as_told,
    )  # fmt: skip
    environment.filters |= {"moment": moment, "figure": "{:g}".format}
    analogues = {row.point.tag: row.readings for row in sheet.rows if row.readings}
    return environment.get_template("checkout.html").render(
        sheet=sheet,
        site=sheet.standing.site,
        whole=sheet.whole,
        analogues=[row for row in sheet.rows if row.readings],
        drawn=draw_errors(analogues) if can_draw() else "",
        says=SAYS,
        marks=MARKS,
        words=WORDS,
        empty_lines=EMPTY_LINES,
    )


def as_told(value: object) -> object:
    """What people wrote, without the mark that keeps a spreadsheet from calculating it."""
    return plain_cell(value) if type(value) is str else value


def moment(text: str) -> str:
    """An instant of a record as people read it: `2026-03-31 14:02 +02:00`, its own zone kept."""
    at = dt.datetime.fromisoformat(text)
    zone = at.isoformat()[-6:] if at.utcoffset() else "UTC"
    return f"{at:%Y-%m-%d %H:%M} {zone}"
