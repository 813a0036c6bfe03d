"""What somebody measured along gutters: spacings, or seeds per cell, one a row.

The shortest file is a column of numbers, with or without a line above that names it. With several
columns the first row names them; these are read, others are the writer's own:

    vacuum_kpa,spacing_mm          spacing_mm  from one seed to the next; 0: two on one spot
    8.0,98                         seeds       in one cell
    8.0,105                        vacuum_kpa  of the drum meanwhile
                                   crop        of the gutter

As any spreadsheet saves it (see rowfile), but with a decimal point. A rehearsal writes such a file
of the gutters that the plant model has sown: a row a seed, or a row a cell of several seeds.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator, Mapping, Sequence
from pathlib import Path
from typing import Literal, NamedTuple

from linectl.errors import Finding, SiteError
from linectl.site.cells import check_form, damaged
from linectl.site.complaints import nearest
from linectl.site.lengths import parse_length_mm, refuse_comma
from linectl.site.rowfile import Line, lines_of, write_rows

Measured = Literal["spacing_mm", "seeds"]
COLUMNS = ("spacing_mm", "seeds", "vacuum_kpa", "crop")
SOWN = ("gutter", "crop", "row", "vacuum_kpa", "spacing_mm", "seeds")
"""Columns of a rehearsal's file."""
ROWS_MOST = 1_000_000
"""Rows of a file: more are taken for a mistake."""
_NUMBER = re.compile(r"[+-]?\d+(?:\.\d+)?", re.ASCII)
_OTHER_UNIT = re.compile(r"\b(cm|dm|m|in|inch|inches|ft)\b|[\"″]", re.I)


class Row(NamedTuple):
    """One measurement. value: a spacing in mm, or seeds in a cell; vacuum_kpa and crop: None
    where the file does not tell."""

    line: int
    value: float
    vacuum_kpa: float | None = None
    crop: str | None = None


def parse_value(text: str, measured: Measured) -> float:
    """A spacing in mm (with its unit, or bare), or a whole number of seeds.

    Raises ValueError with what would be right for anything else, and below zero.
    """
    if measured == "seeds":
        refuse_comma(text)
        if not text.isascii() or not text.isdigit():
            raise ValueError(f"{text!r} is no count of seeds; write a whole number from 0 on")
        return int(text)
    value = parse_length_mm(text)
    if value < 0:
        raise ValueError(f"{text!r} is below zero; a spacing goes from one seed to the next")
    return value


def read_measured(data: bytes, name: str, measured: Measured) -> tuple[Row, ...]:
    """The measurements in a file's bytes; `measured`: which of its columns is wanted.

    Rows that leave that cell empty are passed over (the first seed of a gutter has no spacing).
    Raises SiteError with every fault found: file, line, what is wrong, what would be right.
    """
    findings: list[Finding] = []
    listing = lines_of(data, name, findings)
    lines = [line for line in listing.lines if not line.is_blank]
    lines = [line for line in lines if not _is_remark(line.cells[0])]
    if not findings and not lines:
        findings.append(Finding(name, 1, "file", "is empty", f"one {measured} a row"))
    if len(lines) > ROWS_MOST:
        text = f"has {len(lines):,} rows, more than {ROWS_MOST:,}"
        findings.append(Finding(name, 1, "file", text, "choose a part of it"))
        lines = []
    rows: list[Row] = []
    if lines:
        header = _header(lines[0], measured, name, findings)
        body = lines[1:] if header is not None else lines
        if not findings:
            rows = list(_rows(header or [measured], body, measured, name, findings))
    if not findings and not rows:
        findings.append(Finding(name, lines[-1].line, measured, "holds no value", "one a row"))
    if findings:
        raise SiteError(findings)
    return tuple(rows)


def write_sown(path: Path, rows: Iterable[Mapping[str, object]]) -> None:
    """Write how seeds lie, one row each with the columns `SOWN`; None: an empty cell.

    Raises OSError.
    """
    cells = ({column: _written(row[column]) for column in SOWN} for row in rows)
    write_rows(path, SOWN, cells)


def _written(value: object) -> str:
    return "" if value is None else str(value)


def _is_remark(cell: str) -> bool:
    """Begins with `#`, and is not what a spreadsheet shows of a failure."""
    return cell.startswith("#") and not damaged(cell)


def _header(
    line: Line, measured: Measured, name: str, findings: list[Finding]
) -> list[str] | None:  # fmt: skip
    """The names of the columns; None if the first row holds values already."""
    written = [cell for cell in line.cells if cell]
    if any(_NUMBER.match(cell) or damaged(cell) for cell in written):
        return None
    header = [re.sub(r"[\s-]+", "_", cell.lower()) for cell in line.cells]
    if measured in header:
        return header
    if len(written) == 1:
        other = _OTHER_UNIT.search(written[0].replace("_", " "))
        if measured == "spacing_mm" and other is not None:
            text = f"{written[0]!r} is not in millimetres"
            findings.append(Finding(name, line.line, "spacing_mm", text, "measure in mm"))
        elif header[0] in COLUMNS:
            text = f"is missing: the file has only {header[0]}"
            findings.append(Finding(name, line.line, measured, text))
        return [measured if cell else "" for cell in line.cells]
    hint = nearest(measured, header) or f"name that column {measured}"
    findings.append(Finding(name, line.line, measured, "is no column of the file", hint))
    return header


def _rows(
    header: Sequence[str],
    body: Sequence[Line],
    measured: Measured,
    name: str,
    findings: list[Finding],
) -> Iterator[Row]:
    for line, cells in body:
        beyond = [cell for cell in cells[len(header) :] if cell]
        if beyond:
            text = f"has {len(cells)} cells, not {len(header)}"
            hint = "one value a row; a decimal comma makes two cells of one: write 101.5"
            findings.append(Finding(name, line, measured, text, hint))
            continue
        found = dict(zip(header, cells, strict=False))
        if not found.get(measured):
            continue
        try:
            check_form(measured, found[measured])
            value = parse_value(found[measured], measured)
            vacuum_kpa = _vacuum(found.get("vacuum_kpa", ""))
        except ValueError as error:
            findings.append(Finding(name, line, measured, str(error)))
            continue
        yield Row(line, value, vacuum_kpa, found.get("crop") or None)


def _vacuum(text: str) -> float | None:
    """Of a cell; as an amount below atmosphere it has no sign."""
    if not text:
        return None
    refuse_comma(text)
    if _NUMBER.fullmatch(text) is None or float(text) < 0:
        raise ValueError(f"{text!r} is no vacuum; write kPa below atmosphere, without a sign")
    return float(text)
