"""Reads io.csv, the IO list: rows as written, one site's rows over another's, rows to points."""

from __future__ import annotations

import csv
import io
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from fnmatch import fnmatchcase
from pathlib import Path
from typing import Any, Literal

from pydantic import ValidationError

from linectl.errors import Finding
from linectl.site.complaints import nearest
from linectl.site.durations import parse_duration
from linectl.site.hardware import Point
from linectl.site.parts import Need

REQUIRED = ("tag", "device", "table", "address", "type")
OPTIONAL = (
    "bit",
    "word_order",
    "byte_order",
    "scale",
    "offset",
    "unit",
    "invert",
    "on_delay_ms",
    "off_delay_ms",
    "zone",
    "on_loss",
    "holds_load",
    "device_watchdog_ms",
    "cut_by",
    "safe",
    "note",
)
COLUMNS = REQUIRED + OPTIONAL
_WHOLE = {"address", "bit"}
_REAL = {"scale", "offset", "safe"}
_TRUTH = {"invert", "holds_load"}
_TIME = {"on_delay_ms", "off_delay_ms", "device_watchdog_ms"}
_YES = {"1", "yes", "true", "x"}
_NO = {"0", "no", "false"}


@dataclass(frozen=True)
class Row:
    """One row as written: cells by column, empty ones left out."""

    file: str
    line: int
    cells: Mapping[str, str]
    decimal_comma: bool = False

    @property
    def tag(self) -> str:
        return self.cells.get("tag", "")

    @property
    def removes(self) -> bool:
        """A tag and nothing else but a note: takes inherited rows out of the list."""
        return not set(self.cells) - {"tag", "note"}

    def finding(self, column: str, message: str, hint: str | None = None) -> Finding:
        """A finding at this row; the key is the tag and the column."""
        key = f"{self.tag}.{column}" if column else self.tag
        return Finding(self.file, self.line, key or "tag", message, hint)


def read_rows(path: Path, name: str, findings: list[Finding]) -> list[Row]:
    """The rows of an IO list; a byte order mark and semicolons, as spreadsheets write, are fine.

    Blank rows and rows whose tag starts with `#` are for people and are passed over.
    """
    try:
        text = path.read_text(encoding="utf-8-sig")
    except OSError as error:
        hint = "every site needs it; see config/README.md"
        findings.append(Finding(name, 1, "file", f"cannot be read: {error.strerror}", hint))
        return []
    except UnicodeDecodeError as error:
        message = f"is not UTF-8 text (byte {error.start})"
        findings.append(Finding(name, 1, "file", message, "save it as CSV UTF-8"))
        return []
    head = text.partition("\n")[0]
    semicolons = head.count(";") > head.count(",")
    reader = csv.reader(io.StringIO(text, newline=""), delimiter=";" if semicolons else ",")
    try:
        return _read(reader, name, semicolons, findings)
    except csv.Error as error:
        text_ = f"cannot be read as CSV: {error}"
        findings.append(Finding(name, max(reader.line_num, 1), "file", text_, "save it anew"))
        return []


def _read(reader: Any, name: str, decimal_comma: bool, findings: list[Finding]) -> list[Row]:
    """Header and rows. Raises csv.Error, such as for a cell that never ends."""
    header = [cell.strip() for cell in next(reader, [])]
    _check_header(header, name, findings)
    rows = []
    last_line = reader.line_num
    for cells in reader:
        line, last_line = last_line + 1, reader.line_num
        stripped = [cell.strip() for cell in cells]
        if not any(stripped) or stripped[0].startswith("#"):
            continue
        if len(stripped) > len(header):
            text_ = f"has {len(stripped)} cells, the header has {len(header)}"
            findings.append(Finding(name, line, stripped[0] or "tag", text_, "quote the note"))
        pairs = {key: cell for key, cell in zip(header, stripped, strict=False) if cell}
        rows.append(Row(name, line, pairs, decimal_comma=decimal_comma))
    return rows


def _check_header(header: Sequence[str], name: str, findings: list[Finding]) -> None:
    for column in REQUIRED:
        if column not in header:
            findings.append(Finding(name, 1, column, "the header lacks this column"))
    for column in header:
        if column not in COLUMNS:
            hint = nearest(column, COLUMNS)
            text = "is not a column of the IO list"
            findings.append(Finding(name, 1, column or "header", text, hint))
        elif header.count(column) > 1:
            findings.append(Finding(name, 1, column, "stands twice in the header"))


def override(base: Sequence[Row], over: Sequence[Row], findings: list[Finding]) -> list[Row]:
    """`base` with the rows of `over`: same tag replaces in place, a new tag is added at the end.

    A row with a tag alone removes; its tag may hold `*`: `lane2.*`.
    """
    rows = {row.tag: row for row in base}
    for row in over:
        if not row.removes:
            rows[row.tag] = row
            continue
        gone = [tag for tag in rows if fnmatchcase(tag, row.tag)]
        if not gone:
            text = "removes a tag that the extended site does not have"
            findings.append(row.finding("", text, nearest(row.tag, rows)))
        for tag in gone:
            del rows[tag]
    return list(rows.values())


def points_of(
    rows: Sequence[Row], needs: Mapping[str, Need], findings: list[Finding]
) -> list[tuple[Row, Point]]:
    """The rows that can be read as points, numbered in order; the others become findings."""
    made: list[tuple[Row, Point]] = []
    for row in rows:
        values = _values(row, findings)
        if values is None:
            continue
        need = needs.get(row.tag)
        values["direction"] = _direction(need, values["table"])
        if need and "zone" not in values:
            values["zone"] = need.zone
        try:
            point = Point(index=len(made), line=row.line, **values)
        except ValidationError as error:
            findings += [
                row.finding(str(detail["loc"][0]), _complaint(detail))
                for detail in error.errors(include_url=False)
            ]
        else:
            made.append((row, point))
    return made


def _direction(need: Need | None, table: str) -> Literal["in", "out"]:
    if need:
        return need.role.direction
    return "out" if table in ("coil", "holding") else "in"


def _complaint(detail: Any) -> str:
    given, context = detail["input"], detail.get("ctx", {})
    match detail["type"], detail["loc"][0]:
        case "less_than_equal" | "greater_than_equal", "address":
            return f"address {given} is outside 0–65535 (protocol address; the manual's 40001 is 0)"
        case "less_than_equal" | "greater_than_equal", "bit":
            return f"bit {given} is outside 0–15"
        case "literal_error", _:
            return f"{given!r} is not one of {context['expected'].replace(' or ', ', ')}"
        case "greater_than", _:
            return f"{given} must be above {context['gt']}"
        case "greater_than_equal", _:
            return f"{given} must be at least {context['ge']}"
        case "value_error", _:
            return str(context["error"])
    return str(detail["msg"])


def _values(row: Row, findings: list[Finding]) -> dict[str, Any] | None:
    """The row's cells as values; None, with findings, if any cannot be read."""
    before = len(findings)
    for column in REQUIRED:
        if column not in row.cells:
            hint = "a row with a tag alone removes, but only in a site that extends another"
            findings.append(row.finding(column, "is empty", hint if row.removes else None))
    values: dict[str, Any] = {}
    for column, cell in row.cells.items():
        if column not in COLUMNS:
            continue
        try:
            values[column] = _value(column, cell, row.decimal_comma)
        except ValueError as error:
            findings.append(row.finding(column, str(error)))
    return values if len(findings) == before else None


def _value(column: str, cell: str, decimal_comma: bool) -> object:
    if column in _WHOLE:
        try:
            return int(cell)
        except ValueError:
            raise ValueError(f"{cell!r} is not a whole number") from None
    if column in _REAL:
        try:
            number = float(cell.replace(",", ".") if decimal_comma else cell)
        except ValueError:
            point = f"; write {cell.replace(',', '.')}" if cell.count(",") == 1 else ""
            raise ValueError(f"{cell!r} is not a number{point}") from None
        if not math.isfinite(number):
            raise ValueError(f"{cell!r} is not a number that can be counted with")
        return number
    if column in _TRUTH:
        if cell.lower() in _YES | _NO:
            return cell.lower() in _YES
        raise ValueError(f"{cell!r} is neither yes nor no")
    if column in _TIME:
        text = f"{cell}ms" if cell.isdecimal() else cell
        parse_duration(text)
        return text
    return cell
