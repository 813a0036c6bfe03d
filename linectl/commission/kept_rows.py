"""A record beside a site's files that only grows: a CSV of named columns, one row an act.

It opens in a spreadsheet. A row is whole on the disk when `append_row` returns, and earlier rows
are never touched. A row that cannot be read counts for nothing and is told with its line.
"""

from __future__ import annotations

import csv
import datetime as dt
import fcntl
import io
import os
from collections.abc import Callable, Iterable, Mapping, Sequence
from pathlib import Path

from linectl.errors import Finding, LinectlError, Unreachable
from linectl.site.rowfile import Listing, lines_of, read_lines

FORMULA = ("=", "+", "-", "@")
"""A cell that begins so is calculated by spreadsheets instead of shown."""
INSTANT = "2026-03-31T14:02:07+02:00"
"""How a record writes a moment: ISO 8601 with the zone."""

Cells = Mapping[str, str]
Wrong = Callable[[Cells], tuple[str, str] | None]
"""(column, sentence) if a row is none; the columns are all there when it is asked."""


def read_rows(
    folder: Path, file: str, columns: Sequence[str], wrong: Wrong
) -> tuple[tuple[Cells, ...], tuple[Finding, ...]]:
    """The rows in order of the file, and a finding for each that cannot be read."""
    path = folder / file
    if not path.exists():
        return (), ()
    findings: list[Finding] = []
    lines = [line for line in _listing(path, file, findings).lines if not line.is_blank]
    if not lines:
        return (), tuple(findings)
    header = lines[0].cells
    if missing := [column for column in columns if column not in header]:
        text = f"has no column {', '.join(missing)}"
        findings.append(_finding(file, lines[0].line, "columns", text))
        return (), tuple(findings)
    rows = []
    for line in lines[1:]:
        cells = dict(zip(header, line.cells, strict=False))
        absent = next((column for column in columns if column not in cells), None)
        torn = "the row ends before it: a power cut may have torn it"
        amiss = (absent, torn) if absent is not None else wrong(cells)
        if amiss is not None:
            findings.append(_finding(file, line.line, *amiss))
        else:
            rows.append({column: cells[column] for column in columns})
    return tuple(rows), tuple(findings)


def no_instant(cells: Cells, column: str) -> tuple[str, str] | None:
    """What is wrong with a moment as the tool writes it; None if nothing is."""
    try:
        if dt.datetime.fromisoformat(cells[column]).tzinfo is not None:
            return None
    except ValueError:
        pass
    return column, f"{cells[column]!r} is no date as the tool writes it, such as {INSTANT}"


def no_day(cells: Cells, column: str) -> tuple[str, str] | None:
    """What is wrong with a day as the tool writes it; None if nothing is."""
    try:
        dt.date.fromisoformat(cells[column])
    except ValueError:
        return column, f"{cells[column]!r} is no date as the tool writes it, such as 2027-03-31"
    return None


def append_row(folder: Path, file: str, row: Cells) -> None:
    """Add one row: on the disk, whole, when this returns; earlier rows are never touched.

    Raises Unreachable if it cannot be written, LinectlError if another program has changed the
    file's columns or its encoding.
    """
    path = folder / file
    safe = {name: safe_cell(value) for name, value in row.items()}
    try:
        handle = os.open(path, os.O_RDWR | os.O_APPEND | os.O_CREAT, 0o644)
        try:
            fcntl.flock(handle, fcntl.LOCK_EX)
            size = os.fstat(handle).st_size
            text = _text([safe, safe.values()], ",") if not size else _more(path, safe)
            data = text.encode("utf-8-sig" if not size else "utf-8")
            if os.write(handle, data) != len(data):
                os.ftruncate(handle, size)  # half a quoted cell would make the rest unreadable
                raise Unreachable(f"{path}: the disk took only a part of the row; make room")
            os.fsync(handle)
        finally:
            os.close(handle)
        if not size:
            _sync(folder)
    except OSError as error:
        raise Unreachable(f"{path}: cannot be written ({error.strerror or error})") from error


def _listing(path: Path, file: str, findings: list[Finding]) -> Listing:
    """The file's rows. One torn inside a quoted cell at a power cut ends there: it would make the
    whole record unreadable."""
    try:
        data = path.read_bytes()
    except OSError:
        return read_lines(path, file, findings)
    return lines_of(data + _closing(data).encode(), file, findings)


def _closing(data: bytes) -> str:
    """The quote that a torn end lacks; inside cells they are doubled, so that all come in pairs."""
    return '"' if data.count(b'"') % 2 and not data.endswith((b"\n", b"\r")) else ""


def _finding(file: str, line: int, key: str, message: str) -> Finding:
    return Finding(file, line, key, message, "it counts for nothing; put it back from a copy")


def _more(path: Path, row: Cells) -> str:
    """The row in the manner of the file that stands there."""
    findings: list[Finding] = []
    listing = _listing(path, path.name, findings)
    utf16 = path.read_bytes()[:2] in (b"\xff\xfe", b"\xfe\xff")
    header = next((line.cells for line in listing.lines if not line.is_blank), ())
    if utf16 or not set(row) <= set(header):
        raise LinectlError(
            f"{path}: another program has changed its columns or its encoding, so nothing is added."
            f" Move it away, or save it as CSV UTF-8 with the columns {', '.join(row)}"
        )
    torn = not path.read_bytes().endswith((b"\n", b"\r"))  # a row half written at a power cut
    text = _text([[row.get(column, "") for column in header]], listing.separator)
    return _closing(path.read_bytes()) + "\r\n" + text if torn else text


def _text(rows: Sequence[Iterable[str]], separator: str) -> str:
    made = io.StringIO(newline="")
    csv.writer(made, delimiter=separator, lineterminator="\r\n").writerows(rows)
    return made.getvalue()


def safe_cell(value: str) -> str:
    """One line, and never what a spreadsheet would calculate."""
    text = " ".join(value.split())
    return f"'{text}" if text.startswith(FORMULA) else text


def plain_cell(text: str) -> str:
    """A cell as it was before `safe_cell`, for pages, which calculate nothing."""
    return text[1:] if text.startswith("'") and text[1:].startswith(FORMULA) else text


def _sync(folder: Path) -> None:
    handle = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)
