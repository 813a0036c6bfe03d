"""The text of an IO list to rows of cells and back, whatever program saved it.

Read are comma, semicolon and tab; UTF-8 with or without a byte order mark, and UTF-16 with one;
any line ends; quoted cells over several lines; a first line `sep=;`; empty columns behind the
last. A file in an older encoding is refused, because its letters would be guesses.
"""

from __future__ import annotations

import codecs
import csv
import io
import re
from collections.abc import Iterable, Mapping, Sequence
from pathlib import Path
from typing import NamedTuple

from linectl.errors import Finding
from linectl.site.cells import cleaned

SEPARATORS = ",;\t"
_NAMED = re.compile(r"sep=(.)\r?\n?", re.I)
_UTF16 = (codecs.BOM_UTF16_LE, codecs.BOM_UTF16_BE)


class Line(NamedTuple):
    """A row of the file: its first line, counted from 1, and its cells without outer blanks."""

    line: int
    cells: tuple[str, ...]

    @property
    def is_blank(self) -> bool:
        return not any(self.cells)


class Listing(NamedTuple):
    """A file's rows, blank ones too, and what separates its cells."""

    lines: tuple[Line, ...]
    separator: str


class Dialect(NamedTuple):
    """How a program saves a list."""

    separator: str = ","
    line_end: str = "\n"
    encoding: str = "utf-8"
    """utf-8, utf-8-sig (with byte order mark) or utf-16."""
    quote_all: bool = False


PLAIN = Dialect()
SPREADSHEET = Dialect(encoding="utf-8-sig", line_end="\r\n")
"""What spreadsheets open with every letter right: with a byte order mark."""


EVERY_SITE = "every site needs it; see config/README.md"
"""Hint for a file of a site that cannot be read."""


def read_lines(path: Path, name: str, findings: list[Finding], hint: str | None = None) -> Listing:
    """The file's rows; what cannot be read is added to `findings`, with the hint."""
    try:
        data = path.read_bytes()
    except OSError as error:
        findings.append(Finding(name, 1, "file", f"cannot be read: {error.strerror}", hint))
        return Listing((), ",")
    return lines_of(data, name, findings)


def lines_of(data: bytes, name: str, findings: list[Finding]) -> Listing:
    """The rows in a file's bytes; what cannot be read is added to `findings`."""
    text = _text(data, name, findings)
    if text is None:
        return Listing((), ",")
    skipped = 0
    if named := _NAMED.match(text):
        separator, skipped = named[1], 1
        text = text[named.end() :]
    else:
        separator = _separator(text)
    reader = csv.reader(io.StringIO(text, newline=""), delimiter=separator, strict=True)
    lines, last = [], skipped
    try:
        for cells in reader:
            lines.append(Line(last + 1, tuple(cleaned(cell) for cell in cells)))
            last = skipped + reader.line_num
    except csv.Error as error:
        message = f"cannot be read as CSV: {_said(str(error), last + 1)}"
        findings.append(Finding(name, last + 1, "file", message, "save it anew"))
        return Listing((), separator)
    return Listing(tuple(lines), separator)


def _said(error: str, line: int) -> str:
    if "end of data" in error or "field larger" in error:
        return f"the quote opened in line {line} is never closed ({error})"
    if "expected after" in error:
        return f"a quote stands inside a cell; inside quotes write it twice ({error})"
    return error


def _text(data: bytes, name: str, findings: list[Finding]) -> str | None:
    """The file's text with plain line ends; None, with a finding, if it cannot be read."""

    def refuse(line: int, message: str, hint: str) -> None:
        findings.append(Finding(name, line, "file", message, hint))

    try:
        text = data.decode("utf-16" if data.startswith(_UTF16) else "utf-8-sig")
    except UnicodeDecodeError as error:
        refuse(*_encoding(data, error))
        return None
    if "\0" in text:
        line = text[: text.index("\0")].count("\n") + 1
        refuse(line, "holds a zero character: it is no text file", "save it as CSV UTF-8")
        return None
    return text.replace("\r\n", "\n").replace("\r", "\n")


def _encoding(data: bytes, error: UnicodeDecodeError) -> tuple[int, str, str]:
    """Line, message and hint for bytes that are not UTF-8."""
    line = data[: error.start].count(b"\n") + 1
    letter = data[error.start : error.start + 1].decode("cp1252", "replace")
    message = (
        f"is not UTF-8 text: byte {data[error.start]:#04x} in this line would be {letter!r} in "
        "Latin-1, which some spreadsheets save"
    )
    return line, message, "save it as CSV UTF-8 (in the dialogue of Save as)"


def _separator(text: str) -> str:
    """The separator that the first row with any has most of, outside quotes; else the comma."""
    for row in text.split("\n"):
        if row.lstrip(SEPARATORS + " ").startswith("#"):
            continue
        bare = re.sub(r'"[^"]*"', "", row)
        if any(separator in bare for separator in SEPARATORS):
            return max(SEPARATORS, key=bare.count)
    return ","


def write_rows(
    path: Path,
    columns: Sequence[str],
    rows: Iterable[Mapping[str, str]],
    dialect: Dialect = PLAIN,
) -> None:
    """Write a header and rows of cells by column; absent cells are empty. Raises OSError."""
    path.write_bytes(rows_text(columns, rows, dialect).encode(dialect.encoding))


def rows_text(
    columns: Sequence[str], rows: Iterable[Mapping[str, str]], dialect: Dialect = PLAIN
) -> str:
    """The text that `write_rows` writes, before it is encoded."""
    made = io.StringIO(newline="")
    lines = [list(columns), *([row.get(column, "") for column in columns] for row in rows)]
    # The library quotes a cell for its own line end only; readers end a line at any of them.
    folded = any("\n" in cell or "\r" in cell for line in lines for cell in line)
    writer = csv.writer(
        made,
        delimiter=dialect.separator,
        lineterminator=dialect.line_end,
        quoting=csv.QUOTE_ALL if dialect.quote_all or folded else csv.QUOTE_MINIMAL,
    )
    writer.writerows(lines)
    return made.getvalue()
