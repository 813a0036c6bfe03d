"""A point moved to another channel: the cells of its row in io.csv, and what check says of that."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from linectl.commission.asked import asked, device_of
from linectl.commission.file_edit import FileEdit, encoding_of, text_of
from linectl.commission.io_cells import with_cells, with_row
from linectl.commission.site_change import SiteChange, tried
from linectl.errors import UsageError
from linectl.site.complaints import nearest
from linectl.site.hardware import Device, Point
from linectl.site.iolist import Row, address_both_ways
from linectl.site.load import read_sources
from linectl.site.model import Site
from linectl.site.notation import Table, reference

FILE = "io.csv"


@dataclass(frozen=True)
class Channel:
    """Where a point is to lie. None: as it is."""

    address: str
    """As `asked` reads it: in the device's notation, protocol:17, reference:40018."""
    device: str | None = None
    bit: int | None = None
    note: str | None = None
    supply: str | None = None


def remapped(site: Site, tag: str, to: Channel) -> SiteChange:
    """The site with that point on another channel; only cells of its row differ.

    A site that extends another and inherits the row gets a whole row of its own. Raises UsageError
    for an unknown tag, device or address, or a channel of another table; SiteError with what check
    would say: a channel that another point has, a device without a watchdog …
    """
    point = point_of(site, tag)
    name = to.device or point.device
    device = device_of(site, name)
    address = _address(site, point, name, device, to.address)
    bit = point.bit if to.bit is None else to.bit
    cells = {
        "device": name,
        "address": _written(device, point.table, address),
        "bit": "" if bit is None else str(bit),
    }
    cells |= {
        column: value
        for column, value in (("note", to.note), ("supply", to.supply))
        if value is not None
    }
    if (name, address, bit) == (point.device, point.address, point.bit) and (
        cells.get("note", point.note), cells.get("supply", point.supply)
    ) == (point.note, point.supply):  # fmt: skip
        raise UsageError(f"{tag} is {place(point)} already")
    path = Path(site.folder) / FILE
    encoding = encoding_of(path)
    text = text_of(path, encoding)
    row = _row(site, tag)
    if row.file == FILE:
        changed = {c: v for c, v in cells.items() if row.cells.get(c, "") != v}
        after = with_cells(text, FILE, tag, changed)
    else:
        after = with_row(text, FILE, {**row.cells, **cells})
    return tried(site, FileEdit(path, text, after, encoding))


def point_of(site: Site, tag: str) -> Point:
    """The point of that tag. Raises UsageError with the nearest one."""
    for point in site.points:
        if point.tag == tag:
            return point
    near = nearest(tag, [point.tag for point in site.points]) or "see io.csv"
    raise UsageError(f"{site.name} has no point {tag!r}; {near}")


def place(point: Point) -> str:
    """Where a point lies, as it is kept: `discrete 5 (reference 10006) of io_sower, AE1:6`."""
    note = f", {point.note}" if point.note else ""
    return f"{address_both_ways(point)} of {point.device}{note}"


def remarks(change: SiteChange, tag: str) -> list[str]:
    """What a person may have forgotten: the terminal, the supply, the circuit that cuts it."""
    old, new = point_of(change.before, tag), point_of(change.after, tag)
    said = []
    moved = (old.device, old.address, old.bit) != (new.device, new.address, new.bit)
    if moved and old.note == new.note and new.note:
        said.append(f"its terminal note still says {new.note!r}: give the new one with --note")
    if moved and old.supply == new.supply and new.supply:
        said.append(
            f"its 24 V group is still {new.supply}: if the new channel's card has another supply,"
            " give it with --supply, or a lost supply will be told wrongly"
        )
    if moved and new.direction == "out" and new.cut_by:
        said.append(
            f"{new.cut_by} must cut the new channel as it cut the old one: see to it in the"
            " cabinet, and try it"
        )
    return said


def _address(site: Site, point: Point, name: str, device: Device, text: str) -> int:
    form, colon, number = text.rpartition(":")
    notation = form if colon else device.notation
    says_table = notation == "reference" and number.isdecimal()  # by its first digit
    table = None if says_table else point.table
    meant = asked(site, name, text, table)
    if meant.table != point.table:
        raise UsageError(
            f"{text} of {name} is {meant}, and {point.tag} lies in table {point.table}: a channel"
            " of another table is another row. Write it in io.csv by hand, with its type, and check"
        )
    return meant.address


def _written(device: Device, table: Table, address: int) -> str:
    """The address as the device's manual counts; `item 18` for coils, whose zero gets eaten."""
    if device.notation == "protocol":
        return str(address)
    return f"item {address + 1}" if table == "coil" else reference(table, address)


def _row(site: Site, tag: str) -> Row:
    rows = read_sources(Path(site.folder), []).rows
    return next(row for row in rows if row.tag == tag)
