"""Small CSV files with named columns: a plan, orders, what a plan misses.

The first row names the columns, in any order; every column must be there and hold something,
unless it is told to be free. Blank rows and rows that begin with `#` are for people. What
separates cells, and how they are encoded, is as free as in the IO list (see rowfile).
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

from linectl.errors import Finding, SiteError
from linectl.site.cells import check_form, cleaned, damaged
from linectl.site.complaints import nearest
from linectl.site.model import Shift
from linectl.site.rowfile import read_lines

GUTTERS_MAX = 1_000_000
"""Gutters in one row: beyond it somebody has typed a date or a code."""


@dataclass(frozen=True)
class Row:
    """One row: every column's cell, and where it stands."""

    file: str
    line: int
    cells: Mapping[str, str]

    def finding(self, column: str, message: str, hint: str | None = None) -> Finding:
        """A finding about one cell of this row."""
        return Finding(self.file, self.line, column, message, hint)


def read_columns(
    path: Path, columns: Sequence[str], findings: list[Finding], free: Sequence[str] = ()
) -> list[Row]:
    """The rows that have every column; what is wrong is added to `findings`.

    A cell of a column in `free` may be empty. Rows with an error of form are left out.
    """
    before = len(findings)
    read, _ = read_lines(path, path.name, findings)
    lines = [line for line in read if not line.is_blank and not _is_remark(line.cells)]
    if not lines:
        if len(findings) == before:
            hint = f"its first row names the columns: {','.join(columns)}"
            findings.append(Finding(path.name, 1, "file", "is empty", hint))
        return []
    header = [cleaned(cell).lower() for cell in lines[0].cells]
    while header and not header[-1]:
        header.pop()
    if not _header_is_right(header, columns, path.name, lines[0].line, findings):
        return []
    rows = []
    for line, cells in lines[1:]:
        row = Row(path.name, line, dict(zip(header, (*cells, *[""] * len(header)), strict=False)))
        wrong = [*_beyond(row, cells, len(header)), *_form(row, columns, free)]
        findings += wrong
        if not wrong:
            rows.append(row)
    return rows


def _is_remark(cells: Sequence[str]) -> bool:
    first = next((cell for cell in cells if cell), "")
    return first.startswith("#") and not damaged(first)


def _header_is_right(
    header: Sequence[str], columns: Sequence[str], name: str, line: int, findings: list[Finding]
) -> bool:
    before = len(findings)
    for column in columns:
        if column not in header:
            findings.append(Finding(name, line, column, "the header lacks this column"))
    for column in dict.fromkeys(header):
        if column not in columns:
            what = f"is not a column here; there are: {', '.join(columns)}"
            findings.append(Finding(name, line, column or "header", what, nearest(column, columns)))
        elif header.count(column) > 1:
            findings.append(Finding(name, line, column, "stands twice in the header"))
    return len(findings) == before


def _beyond(row: Row, cells: Sequence[str], columns: int) -> Iterable[Finding]:
    if any(cells[columns:]):
        count = max(place for place, cell in enumerate(cells, 1) if cell)
        text = f"has {count} cells, the header has {columns}"
        yield row.finding("row", text, "a decimal comma makes two cells of one: write a point")


def _form(row: Row, columns: Sequence[str], free: Sequence[str]) -> Iterable[Finding]:
    for column in columns:
        cell = row.cells[column]
        if not cell:
            if column not in free:
                yield row.finding(column, "is empty")
            continue
        try:
            check_form("note" if column in free else column, cell)
        except ValueError as error:
            yield row.finding(column, str(error))


# cells that these files share ------------------------------------------------------------------


def date_of(row: Row, findings: list[Finding]) -> dt.date | None:
    """The row's `day`, written 2026-06-01; None, with a finding, if it is none."""
    cell = row.cells["day"]
    try:
        if len(cell) == len("2026-06-01"):
            return dt.date.fromisoformat(cell)
    except ValueError:
        pass
    hint = "write year, month and day as 2026-06-01; spreadsheets like to write dates their own way"
    findings.append(row.finding("day", f"{cell!r} is not a day", hint))
    return None


def working_day(row: Row, shift: Shift, findings: list[Finding]) -> dt.date | None:
    """The row's `day` if a shift begins on it; None, with a finding, if not."""
    day = date_of(row, findings)
    if day is not None and not shift.works_on(day):
        text = f"no shift begins on {day}, a {day:%A}".lower()
        findings.append(row.finding("day", text, f"shift days: {', '.join(shift.days)}"))
        return None
    return day


def name_of(
    row: Row, column: str, what: str, names: Iterable[str], findings: list[Finding]
) -> str | None:
    """The cell if it is one of the names; None, with a finding and the nearest one, if not."""
    cell, known = row.cells[column], tuple(names)
    if cell in known:
        return cell
    findings.append(row.finding(column, f"{cell!r} is no {what}", nearest(cell, known)))
    return None


def count_of(row: Row, column: str, findings: list[Finding], least: int = 1) -> int | None:
    """A whole number of at least `least`; None, with a finding, if it is none."""
    cell = row.cells[column]
    if cell.isascii() and cell.isdecimal() and least <= int(cell) <= GUTTERS_MAX:
        return int(cell)
    text = f"{cell!r} is not a whole number from {least} to {GUTTERS_MAX:,}"
    findings.append(row.finding(column, text))
    return None


def all_or_raise(findings: Sequence[Finding]) -> None:
    """Raises SiteError with every finding, in the order of the file, if there is one."""
    if findings:
        raise SiteError(sorted(findings, key=lambda finding: finding.line))
