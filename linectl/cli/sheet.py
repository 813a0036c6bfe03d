"""`linectl sheet SITE`: the IO and wiring sheet of a site's devices, to print or to open."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import Annotated

import typer
from jinja2 import Environment, PackageLoader, StrictUndefined
from rich.text import Text

from linectl import __version__
from linectl.cli.app import AsJson, SiteFolder, app
from linectl.cli.screen import heading, say, say_json, table
from linectl.cli.writable import will_be_written
from linectl.commission.io_sheet import COLUMNS, Sheet, sheet_of
from linectl.commission.kept_rows import safe_cell
from linectl.errors import UsageError
from linectl.site.complaints import nearest
from linectl.site.load import load_site
from linectl.site.model import Site
from linectl.site.rowfile import SPREADSHEET, rows_text

EXAMPLE = """
Examples:

  linectl sheet config/fennmark --out fennmark.html

  linectl sheet config/small --device io_sower
"""


@app.command(epilog=EXAMPLE)
def sheet(
    site: SiteFolder,
    device: Annotated[str | None, typer.Option(help="Only this device.")] = None,
    out: Annotated[
        Path | None, typer.Option(help="Write FILE.html, to print, or FILE.csv, to open.")
    ] = None,
    as_json: AsJson = False,
) -> None:
    """Shows each device's places: what lies there, both addresses, terminal, spare ones between.

    The HTML page prints a device at a time, on A4 or Letter, with a box to tick for each point.
    """
    loaded = load_site(site)
    devices = loaded.file.devices
    if device is not None and device not in devices:
        hint = nearest(device, devices) or "see check"
        raise UsageError(f"the site has no device {device!r}; {hint}")
    sheets = [sheet_of(loaded, name) for name in ([device] if device else devices)]
    if out is not None:
        _write(out, loaded, sheets)
    if as_json:
        say_json({"site": loaded.name, "devices": [one.as_json() for one in sheets]})
    elif out is not None:
        points = sum(one.points for one in sheets)
        say(Text(f"{out}: {points} points of {len(sheets)} devices"))
    else:
        for one in sheets:
            _print(one)


def _write(path: Path, site: Site, sheets: Sequence[Sheet]) -> None:
    """Raises UsageError for a file that is neither, Unreachable if it cannot be written."""
    kind = path.suffix.lower()
    if kind not in (".html", ".csv"):
        raise UsageError(f"{path}: name a file that ends in .html or .csv")
    will_be_written(path)
    if kind == ".csv":
        path.write_bytes(places_csv(sheets))
    else:
        path.write_text(page(site, sheets), encoding="utf-8")


def places_csv(sheets: Sequence[Sheet]) -> bytes:
    """A row a place, as spreadsheets open it; no cell is one that they would calculate."""
    rows = ({k: safe_cell(v) for k, v in row.items()} for one in sheets for row in one.rows())
    return rows_text(COLUMNS, rows, SPREADSHEET).encode(SPREADSHEET.encoding)


def page(site: Site, sheets: Sequence[Sheet]) -> str:
    """The sheets as one HTML page."""
    environment = Environment(
        loader=PackageLoader("linectl.cli", "pages"), autoescape=True, undefined=StrictUndefined
    )
    template = environment.get_template("sheet.html")
    return template.render(site=site, sheets=sheets, version=__version__)


def _print(one: Sheet) -> None:
    say(heading(f"{one.name}:"), Text(", ".join(f"{name} {text}" for name, text in one.facts)))
    rows = []
    for places in one.tables.values():
        for place in places:
            cell = place.cells()
            rows.append(
                [
                    f"{place.table} {place.where}", place.reference, place.bit_text, cell["tag"],
                    cell["type"], cell["note"], place.text,
                ]
            )  # fmt: skip
    say(table("address|reference|bit|tag|type|terminal|what", rows))
    say(Text())
