"""The address that a person typed, whichever way it was written, as the one meant on the wire."""

from __future__ import annotations

from typing import NamedTuple, get_args

from linectl.errors import UsageError
from linectl.site.complaints import nearest
from linectl.site.hardware import Device, Point
from linectl.site.model import Site
from linectl.site.notation import (
    DIGIT,
    LAST_ADDRESS,
    Notation,
    Table,
    both_ways,
    protocol_address,
)

TABLES: tuple[Table, ...] = get_args(Table)
_OF_DIGIT: dict[str, Table] = {digit: table for table, digit in DIGIT.items()}


class Asked(NamedTuple):
    """What a person asked for, and what is to be said about how it was read."""

    table: Table
    address: int
    notes: tuple[str, ...] = ()

    def __str__(self) -> str:
        return both_ways(self.table, self.address)


def device_of(site: Site, name: str) -> Device:
    """The device of that name. Raises UsageError with the nearest one."""
    if name not in site.file.devices:
        hint = nearest(name, site.file.devices) or "see site.yaml"
        raise UsageError(f"{site.name} has no device {name!r}; {hint}")
    return site.file.devices[name]


def asked(site: Site, device_name: str, text: str, table: str | None = None) -> Asked:
    """The address that `text` means on that device. Raises UsageError.

    17            in the device's own notation (`notation` in site.yaml)
    protocol:17   what travels on the wire, counted from 0; 0x11 too
    reference:40018   the manual's number, counted from 1, its first digit the table
    fill.level    a tag of this device
    """
    device = device_of(site, device_name)
    chosen = _table(table)
    if (point := _tagged(site, device_name, text)) is not None:
        return Asked(point.table, point.address)
    form, colon, number = text.rpartition(":")
    if colon and form not in ("protocol", "reference"):
        raise UsageError(f"{text!r}: write protocol:17 or reference:40018")
    notation: Notation = device.notation
    if form:
        notation = "protocol" if form == "protocol" else "reference"
    if number.lower().startswith("0x"):
        return _hexadecimal(number, chosen or "holding")
    if notation == "reference":
        chosen = _table_of_reference(number, chosen)
    meant = chosen or "holding"
    try:
        address = protocol_address(meant, number, notation)
    except ValueError as error:
        known = f"{device_name} is written in {device.notation} numbers" if not form else ""
        raise UsageError(f"{error}{f'; {known}' if known else ''}") from error
    return Asked(meant, address, _doubt(number, notation, bool(form), device_name, meant, address))


def _table(table: str | None) -> Table | None:
    for known in TABLES:
        if table == known:
            return known
    if table is None:
        return None
    raise UsageError(f"{table!r} is no table; {nearest(table, TABLES)}")


def _tagged(site: Site, device_name: str, text: str) -> Point | None:
    """The point that `text` names. Raises UsageError if it lies on another device."""
    for point in site.points:
        if point.tag == text:
            if point.device != device_name:
                raise UsageError(f"{text} lies on {point.device}, not on {device_name}")
            return point
    if "." in text:
        mine = [point.tag for point in site.points if point.device == device_name]
        hint = nearest(text, mine) or "write its address"
        raise UsageError(f"{device_name} has no point {text!r}; {hint}")
    return None


def _hexadecimal(number: str, table: Table) -> Asked:
    try:
        address = int(number, 16)
    except ValueError:
        raise UsageError(f"{number!r} is not a hexadecimal number") from None
    if address > LAST_ADDRESS:
        raise UsageError(f"{number} is outside 0x0000–0xFFFF")
    return Asked(table, address)


def _table_of_reference(number: str, chosen: Table | None) -> Table | None:
    """A reference number says its table itself. Raises UsageError if --table says another."""
    told = _OF_DIGIT.get(number[:1]) if len(number) in (5, 6) else None
    if told and chosen and told != chosen:
        raise UsageError(
            f"reference {number} is of table {told} (its first digit), --table says {chosen}"
        )
    return told or chosen


def _doubt(
    number: str, notation: Notation, explicit: bool, device: str, table: Table, address: int
) -> tuple[str, ...]:
    """A protocol address that looks like a manual's number is said to be what it was taken for."""
    looks = len(number) in (5, 6) and _OF_DIGIT.get(number[:1])
    if notation == "reference" or explicit or not looks:
        return ()
    try:
        other = both_ways(looks, protocol_address(looks, number, "reference"))
    except ValueError:
        return ()
    return (
        f"{number} was taken as a protocol address, as {device} is written in site.yaml: "
        f"{both_ways(table, address)}. If it is the manual's number, ask for reference:{number}, "
        f"which is {other}",
    )
