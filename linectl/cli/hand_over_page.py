"""The pages of a hand-over: an index that says what is missing, and a page for each part."""

from __future__ import annotations

import datetime as dt
import json
import re
from collections.abc import Mapping

from jinja2 import Environment, PackageLoader, StrictUndefined

from linectl.cli import checkout_page, commission_page
from linectl.cli.matrix import matrix_csv, matrix_html
from linectl.cli.sheet import page as wiring_page
from linectl.cli.sheet import places_csv
from linectl.commission.hand_over.folder import DIGESTS, digests_of
from linectl.commission.hand_over.gather import HandOver
from linectl.commission.io_sheet import sheet_of
from linectl.commission.matrix import matrix_of
from linectl.site.approval import approval_line
from linectl.site.rowfile import SPREADSHEET

INDEX = "index.html"
_DIGEST = re.compile(r"[0-9a-f]{64}")
_INSTANT = re.compile(r"\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d(\.\d+)?[+-]\d\d:\d\d")
OWN_PAGES = ("checkout", "commission")
"""Parts whose page is made elsewhere."""
WHAT = {
    "checkout.html": "the checkout sheet: every point, every try, lines to sign",
    "checkout.csv": "the checkout as a list: a row a point, its last try",
    "checkout.json": "the checkout for programs: every point, every try",
    "punch_list.csv": "deficiencies, open and closed",
    "wiring.html": "each device's IO and wiring sheet, for the cabinets",
    "wiring.csv": "the wiring as a list: a row a place",
    "matrix.html": "the cause-and-effect matrix",
    "matrix.csv": "the matrix as a list: a row a cause",
    "hand_over.json": "every part for programs, and what is missing",
}
"""What a file is; a part's page and tables say it themselves."""
FOLDERS = {
    "records/": "the record as it lies in the site's folder",
    "site/resolved/": "the site with all that it extends in its own files",
    "site/": "the site's file as it is",
}


def files_of(made: HandOver, copied: Mapping[str, bytes]) -> dict[str, bytes]:
    """Every file of the folder but the list of digests; `copied` come as they are."""
    site = made.site
    matrix = matrix_of(site)
    sheets = [sheet_of(site, name) for name in site.file.devices]
    files = {
        "checkout.html": checkout_page.page(made.sheet).encode(),
        "checkout.json": _json(made.sheet.as_json()),
        "commission.html": commission_page.page_of(
            made.listed, dt.datetime.fromisoformat(made.made_at)
        ).encode(),
        "wiring.html": wiring_page(site, sheets).encode(),
        "wiring.csv": places_csv(sheets),
        "matrix.html": matrix_html(matrix, approval_line(site)).encode(),
        "matrix.csv": matrix_csv(matrix).encode(SPREADSHEET.encoding),
        "hand_over.json": _json(made.as_json()),
        **part_files(made),
        **copied,
    }
    return {INDEX: index_page(made, files), **files}


def part_files(made: HandOver) -> dict[str, bytes]:
    """The page of each part, but of those made elsewhere, and a list for each table."""
    page = _environment().get_template("hand_over_part.html")
    files: dict[str, bytes] = {}
    for part in made.parts:
        files |= {f"{table.name}.csv": table.csv() for table in part.tables}
        if part.name not in OWN_PAGES:
            files[f"{part.name}.html"] = page.render(made=made, part=part).encode()
    return files


def index_page(made: HandOver, files: Mapping[str, bytes]) -> bytes:
    """The page to begin with: what is missing, the parts, lines to sign, the files' digests."""
    page = _environment().get_template("hand_over.html")
    return page.render(made=made, contents=_contents(made, files), digests=DIGESTS).encode()


def _environment() -> Environment:
    environment = Environment(
        loader=PackageLoader("linectl.cli", "pages"), autoescape=True, undefined=StrictUndefined,
        finalize=checkout_page.as_told,
    )  # fmt: skip
    environment.filters |= {"moment": checkout_page.moment, "shortly": shortly}
    return environment


def shortly(cell: str) -> str:
    """A cell as a page shows it: an instant as people read it, of a digest the first 12 letters.

    The list and the JSON have it whole.
    """
    if _DIGEST.fullmatch(cell):
        return cell[:12]
    if not _INSTANT.fullmatch(cell):
        return cell
    try:
        return checkout_page.moment(cell)
    except ValueError:
        return cell  # a month 13 in a record that somebody has edited


def _json(value: Mapping[str, object]) -> bytes:
    return (json.dumps(value, ensure_ascii=False, indent=1) + "\n").encode()


def _contents(made: HandOver, files: Mapping[str, bytes]) -> list[tuple[str, str, int, str]]:
    """Name, what it is, bytes, SHA-256 of each file but the index."""
    told = dict(WHAT)
    for part in made.parts:
        told.setdefault(f"{part.name}.html", part.title)
        for table in part.tables:
            told.setdefault(f"{table.name}.csv", table.title)
    for name in files:
        for folder, text in FOLDERS.items():
            if name.startswith(folder):
                told.setdefault(name, text)
    return [(n, told[n], len(files[n]), digest) for n, digest in digests_of(files).items()]
