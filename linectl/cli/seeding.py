"""`linectl seeding FILE`: how well seeds were spaced, and the stand that follows."""

from __future__ import annotations

import re
import sys
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path
from typing import Annotated, Any

import typer

from linectl.cli.app import AsJson, app
from linectl.cli.screen import complain, say_json
from linectl.cli.seeding_text import print_cells, print_spacings, print_stand_alone
from linectl.cli.seeding_told import (
    Wanted,
    cells_told,
    spacings_told,
    stand_alone_told,
    wanted_of,
)
from linectl.cli.writable import will_be_written
from linectl.crop.seeding import Convention
from linectl.crop.stand import GERMINATION_STANDARDS
from linectl.errors import LinectlError, Unreachable, UsageError
from linectl.site.complaints import nearest
from linectl.site.lengths import parse_length_mm
from linectl.site.load import load_site
from linectl.site.spacings_file import Measured, Row, parse_value, read_measured

STEP_KPA = 0.5
"""Width of a class of vacuum (common practice, no source)."""
STANDARDS = ", ".join(f"{kind} {share:.0%}" for kind, share in GERMINATION_STANDARDS.items())
EXAMPLE = f"""
Examples:

  linectl seeding spacings.csv --spacing 100mm --plot spacings.svg

  linectl seeding 98 105 40 102 95 210 99 --spacing 100mm --convention share

  linectl seeding spacings.csv --site config/fennmark --crop green_oakleaf --json

  linectl seeding 3 2 4 3 0 3 2 --cells --seeds-per-cell 3 --germination 0.85

  linectl seeding --site config/fennmark --crop rocket

Germination standards of the Federal Seed Act (7 CFR 201.31), to hold a lot against: {STANDARDS}.
"""
_BEGINS_A_NUMBER = re.compile(r"[+-]?\d+([.,]\d+)?\s*(mm|cm|m|in)?", re.ASCII)


def _length(text: str) -> float:
    try:
        length = parse_length_mm(text)
    except ValueError as error:
        raise typer.BadParameter(str(error)) from error
    if not length > 0:
        raise typer.BadParameter(f"{text!r} must be above zero")
    return length


def _step(text: str) -> float:
    if re.fullmatch(r"\d+(\.\d+)?", text, re.ASCII) is None or not float(text) > 0:
        raise typer.BadParameter(f"{text!r} is no step above zero; write 0.5")
    return float(text)


Numbers = Annotated[
    list[str] | None,
    typer.Argument(
        metavar="[FILE|NUMBERS]",
        help="A CSV file, one a row; - reads standard input; or the numbers themselves.",
    ),
]
Spacing = Annotated[
    float | None,
    typer.Option(parser=_length, metavar="LENGTH", help="The wanted spacing X: 100mm, 10cm, 4in."),
]
By = Annotated[
    Convention,
    typer.Option(
        help="iso: ISO 7256-1, shares of the cells that passed, so that a long gap weighs as all "
        "the cells in it. share: shares of the spacings, as in most papers."
    ),
]
Cells = Annotated[
    bool, typer.Option("--cells", help="The numbers are seeds per cell, not spacings.")
]
Site = Annotated[
    Path | None, typer.Option(help="A site's folder: what its --crop wants is taken from there.")
]
CropName = Annotated[
    str, typer.Option(help="A crop of --site; and of a file with a column crop, its rows only.")
]
SeedsPerCell = Annotated[int | None, typer.Option(min=1, help="Wanted seeds in a cell.")]
Germination = Annotated[
    float | None, typer.Option(min=0, max=1, help="Share of seeds that become plants: 0.92.")
]
Length = Annotated[
    float | None, typer.Option(parser=_length, metavar="LENGTH", help="Of a gutter: 5.4m.")
]
VacuumStep = Annotated[
    float, typer.Option(parser=_step, metavar="KPA", help="Width of a class of vacuum.")
]
Plot = Annotated[
    Path | None, typer.Option(help="Draw it: FILE.svg, FILE.png, or a page FILE.html.")
]


@app.command(epilog=EXAMPLE)
def seeding(
    measured: Numbers = None,
    spacing: Spacing = None,
    convention: By = Convention.ISO,
    cells: Cells = False,
    site: Site = None,
    crop: CropName = "",
    seeds_per_cell: SeedsPerCell = None,
    germination: Germination = None,
    length: Length = None,
    vacuum_step: VacuumStep = str(STEP_KPA),  # type: ignore[assignment]  # typer parses the text
    plot: Plot = None,
    as_json: AsJson = False,
) -> None:
    """Says how well seeds were spaced: multiples, misses, quality of feed, precision.

    By ISO 7256-1, from spacings measured along a gutter, in mm, one a row; with --cells how many
    seeds lie in a cell. With a germination also the stand to expect. A column vacuum_kpa beside
    spacing_mm tells what vacuum did. Without numbers: the stand if nothing goes wrong.
    """
    said = Wanted(spacing, seeds_per_cell, germination, 1, length)
    wanted = said if site is None else _over(said, _of_site(site, crop))
    what: Measured = "seeds" if cells else "spacing_mm"
    rows = _of_crop(_rows(measured, what), crop) if measured else ()
    if plot is not None:
        _check_plot(plot, rows)
    told = _told(rows, cells, wanted, convention, vacuum_step)
    values = [row.value for row in rows]
    if plot is not None:
        from linectl.cli.seeding_page import write_picture

        write_picture(plot, told, values)
    if as_json:
        say_json(told)
        return
    if not rows:
        print_stand_alone(told)
    elif cells:
        print_cells(told)
    else:
        print_spacings(told, values)
    for remark in told["remarks"]:
        complain(f"Note: {remark}.")


def _told(
    rows: Sequence[Row], cells: bool, wanted: Wanted, convention: Convention, step_kpa: float
) -> dict[str, Any]:
    """What there is to tell. UsageError if something is wanting, LinectlError for numbers of which
    no index can be made."""
    if not rows and wanted.germination is None:
        raise UsageError(
            "name a file of spacings, type them, or tell a germination (--germination, or --site "
            "with --crop) for the stand to expect"
        )
    if rows and not cells and wanted.spacing_mm is None:
        raise UsageError("which spacing is wanted? add --spacing 100mm, or --site and --crop")
    try:
        if not rows:
            return stand_alone_told(wanted)
        if cells:
            return cells_told([int(row.value) for row in rows], wanted)
        return spacings_told(rows, wanted, convention, step_kpa)
    except ValueError as error:
        raise LinectlError(str(error)) from error


def _of_site(folder: Path, name: str) -> Wanted:
    """What the site wants of the crop."""
    site = load_site(folder)
    crops = site.crops.crops
    if not name:
        raise UsageError("--site wants a crop: add --crop, one of " + ", ".join(crops))
    if name not in crops:
        raise UsageError(f"{folder}/crops.yaml has no crop {name!r}; {nearest(name, crops)}")
    return wanted_of(crops[name], site.file.gutter.length_mm)


def _over(said: Wanted, site: Wanted) -> Wanted:
    """What was said at the command line counts, the site's for the rest."""
    return replace(
        site,
        spacing_mm=said.spacing_mm or site.spacing_mm,
        seeds_per_cell=said.seeds_per_cell or site.seeds_per_cell,
        germination=site.germination if said.germination is None else said.germination,
        length_mm=said.length_mm or site.length_mm,
        cells=site.cells if said.length_mm is None and said.spacing_mm is None else None,
    )


def _rows(written: Sequence[str], what: Measured) -> tuple[Row, ...]:
    """The measurements of a file, of standard input, or as typed."""
    if all(_BEGINS_A_NUMBER.fullmatch(text) for text in written):
        try:
            return tuple(Row(n, parse_value(text, what)) for n, text in enumerate(written, 1))
        except ValueError as error:
            raise UsageError(str(error)) from error
    if len(written) > 1:
        words = [text for text in written if not _BEGINS_A_NUMBER.fullmatch(text)]
        raise UsageError(
            f"{words[0]!r} is no number: name one file alone, or type numbers with a decimal point"
        )
    (name,) = written
    if name == "-":
        return read_measured(sys.stdin.buffer.read(), "standard input", what)
    try:
        data = Path(name).read_bytes()
    except OSError as error:
        raise Unreachable(f"{name}: cannot be read ({error.strerror})") from error
    return read_measured(data, name, what)


def _of_crop(rows: Sequence[Row], crop: str) -> Sequence[Row]:
    """The rows of one crop, where a file tells crops."""
    crops = sorted({row.crop for row in rows if row.crop is not None})
    if not crops:
        return rows
    if not crop and len(crops) > 1:
        raise UsageError("the file holds several crops; add --crop, one of " + ", ".join(crops))
    chosen = [row for row in rows if row.crop == (crop or crops[0])]
    if not chosen:
        raise UsageError(f"the file has no row of {crop!r}; {nearest(crop, crops)}")
    return chosen


def _check_plot(path: Path, rows: Sequence[Row]) -> None:
    """Before anything is reckoned: that there is something to draw, and that it can be."""
    from linectl.cli.seeding_page import check_kind

    if not rows:
        raise UsageError("--plot draws what was measured: name a file, or type the numbers")
    check_kind(path)
    will_be_written(path)
