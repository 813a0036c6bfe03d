"""Reads io.csv, the IO list: rows as written, one site's rows over another's, rows to points."""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from fnmatch import fnmatchcase
from pathlib import Path
from typing import Any, Literal, get_args

from pydantic import ValidationError

from linectl.errors import Finding
from linectl.site.cells import check_form, cleaned, damaged, number_trouble, value_of
from linectl.site.complaints import nearest
from linectl.site.hardware import Device, Point
from linectl.site.notation import Notation, Table, both_ways, protocol_address
from linectl.site.parts import Need
from linectl.site.rowfile import EVERY_SITE, Line, lines_of, read_lines

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
    "poll",
    "group",
    "zone",
    "on_loss",
    "holds_load",
    "device_watchdog_ms",
    "cut_by",
    "safe",
    "note",
    "supply",
)
COLUMNS = REQUIRED + OPTIONAL
_TABLES: tuple[Table, ...] = get_args(Table)


@dataclass(frozen=True)
class Row:
    """One row as written: cells by column, empty ones left out."""

    file: str
    line: int
    cells: Mapping[str, str]
    replaces: Row | None = field(default=None, compare=False)
    """The inherited row that this one stands in place of."""

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


def read_rows(
    path: Path, name: str, findings: list[Finding], instead: bytes | None = None
) -> list[Row]:
    """The rows of an IO list, as any spreadsheet saves it (see rowfile).

    Blank rows and rows whose tag starts with `#` are for people and are passed over. instead: what
    is read in the place of what the file holds now.
    """
    before = len(findings)
    if instead is None:
        lines, separator = read_lines(path, name, findings, EVERY_SITE)
    else:
        lines, separator = lines_of(instead, name, findings)
    lines = tuple(line for line in lines if not line.is_blank)
    start = next((n for n, line in enumerate(lines) if not is_remark(line.cells)), None)
    if start is None:
        if len(findings) == before:
            findings.append(Finding(name, 1, "file", "is empty", "its first row names the columns"))
        return []
    head, body = lines[start], lines[start + 1 :]
    header = [column_name(cell) for cell in head.cells]
    if separator == ",":
        _check_lengths(len(header), body, name, findings)
    while header and not header[-1]:
        header.pop()
    _check_header(header, name, head.line, findings)
    return list(_rows(header, body, name, findings))


def is_remark(cells: Sequence[str]) -> bool:
    """The first written cell begins with `#`, and is not what a spreadsheet shows of a failure."""
    first = next((cell for cell in cells if cell), "")
    return first.startswith("#") and not damaged(first)


def _check_lengths(header: int, body: Sequence[Line], name: str, findings: list[Finding]) -> None:
    """Between commas a decimal comma makes two cells of one, and an empty last cell would hide it:
    cells beyond the header are a spreadsheet's only if every row has as many."""
    longer = [line for line in body if len(line.cells) > header and not is_remark(line.cells)]
    if not longer or len({len(line.cells) for line in body}) == 1:
        return
    for line, cells in longer:
        if not any(cells[header:]):  # if any is written, the row is told anyway
            text = f"has {len(cells)} cells, the header has {header}"
            hint = "a decimal comma makes two cells of one: write a decimal point"
            findings.append(Finding(name, line, cells[0] or "tag", text, hint))


def column_name(cell: str) -> str:
    """A column's name: case, blanks and hyphens between its words do not count."""
    return re.sub(r"[\s-]+", "_", cleaned(cell).lower())


def _rows(
    header: Sequence[str], body: Sequence[Line], name: str, findings: list[Finding]
) -> Iterator[Row]:
    at_tag = header.index("tag") if "tag" in header else 0
    for line, cells in body:
        tag = cells[at_tag] if at_tag < len(cells) else ""
        if is_remark([tag]) or (not tag and is_remark(cells)):
            continue
        named = [(key, cell) for key, cell in zip(header, cells, strict=False) if cell]
        beyond = [cell for cell in cells[len(header) :] if cell]
        beyond += [cell for key, cell in named if not key]
        if beyond:
            count = max(place for place, cell in enumerate(cells, 1) if cell)
            text = f"has {count} cells, the header has {len(header)}"
            if count <= len(header):
                text = f"has {beyond[0]!r} in a column without a name"
            hint = "quote the note; a decimal comma makes two cells of one"
            findings.append(Finding(name, line, tag or "tag", text, hint))
        yield Row(name, line, {key: cell for key, cell in named if key and key[0] != "#"})


def _check_header(header: Sequence[str], name: str, line: int, findings: list[Finding]) -> None:
    def complain(column: str, text: str, hint: str | None = None) -> None:
        findings.append(Finding(name, line, column, text, hint))

    for column in REQUIRED:
        if column not in header:
            complain(column, "the header lacks this column")
    for column in dict.fromkeys(filter(None, header)):
        if column.startswith("#"):  # for people, as a row that begins so
            continue
        if column not in COLUMNS:
            complain(column, "is not a column of the IO list", nearest(column, COLUMNS))
        elif header.count(column) > 1:
            complain(column, "stands twice in the header")


def override(base: Sequence[Row], over: Sequence[Row], findings: list[Finding]) -> list[Row]:
    """`base` with the rows of `over`: same tag replaces in place, a new tag is added at the end.

    A row with a tag alone removes; its tag may hold `*`: `lane2.*`.
    """
    rows = {row.tag: row for row in base}
    for row in over:
        if not row.removes:
            rows[row.tag] = replace(row, replaces=rows.get(row.tag))
            continue
        gone = [tag for tag in rows if fnmatchcase(tag, row.tag)]
        if not gone:
            text = "removes a tag that the extended site does not have"
            findings.append(row.finding("", text, nearest(row.tag, rows)))
        for tag in gone:
            del rows[tag]
    return list(rows.values())


@dataclass(frozen=True)
class Hardware:
    """What rows are read by: devices that could be read, and how each writes its addresses."""

    devices: Mapping[str, Device]
    notations: Mapping[str, Notation]
    """Of every device that site.yaml names, readable or not."""


def points_of(
    rows: Sequence[Row], needs: Mapping[str, Need], hardware: Hardware, findings: list[Finding]
) -> list[tuple[Row, Point]]:
    """The rows that can be read as points, numbered in order; the others become findings."""
    made: list[tuple[Row, Point]] = []
    for row in rows:
        values = _values(row, hardware, findings)
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
            made.append((row, _with_orders(point, hardware.devices.get(point.device), row)))
    return made


def _with_orders(point: Point, device: Device | None, row: Row) -> Point:
    """The point with its device's word and byte order where its row says none."""
    if device is None:
        return point
    orders: dict[str, str] = {}
    if point.words == 2 and point.word_order is None and device.word_order is not None:
        orders["word_order"] = device.word_order
    if "byte_order" not in row.cells and device.byte_order != point.byte_order:
        orders["byte_order"] = device.byte_order
    return point.model_copy(update=orders) if orders else point


def _direction(need: Need | None, table: str) -> Literal["in", "out"]:
    if need:
        return need.role.direction
    return "out" if table in ("coil", "holding") else "in"


def _complaint(detail: Any) -> str:
    given, context = detail["input"], detail.get("ctx", {})
    match detail["type"], detail["loc"][0]:
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


def _values(row: Row, hardware: Hardware, findings: list[Finding]) -> dict[str, Any] | None:
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
            check_form(column, cell)
            if column == "address":
                values[column] = _address(row, cell, hardware)
            else:
                values[column] = value_of(column, cell)
        except ValueError as error:
            findings.append(row.finding(column, str(error)))
    return values if len(findings) == before else None


def _address(row: Row, cell: str, hardware: Hardware) -> int:
    """The row's protocol address, read as its device's addresses are written. Raises ValueError.

    A table that is none is complained of elsewhere; a device that nobody knows could write either
    way, so its rows are given what they can be read as.
    """
    trouble = number_trouble(cell)
    if trouble and not (cell.isascii() and cell.isdecimal()):
        raise ValueError(f"{cell!r} is not a whole number{trouble}")
    table = next((known for known in _TABLES if known == row.cells.get("table")), None)
    device = row.cells.get("device", "")
    if table is None:
        if not cell.removeprefix("item ").isdecimal():
            raise ValueError(f"{cell!r} is not a whole number")
        return 0
    notation = hardware.notations.get(device)
    if notation is not None:
        return protocol_address(table, cell, notation)
    try:
        return protocol_address(table, cell, "protocol")
    except ValueError as error:
        try:
            return protocol_address(table, cell, "reference")
        except ValueError:
            raise error from None


def address_both_ways(point: Point) -> str:
    """Where a point lies: `holding 17–18 (reference 40018–40019)`, `input 1 (…) bit 0`."""
    where = both_ways(point.table, point.address, point.words)
    return where if point.bit is None else f"{where} bit {point.bit}"
