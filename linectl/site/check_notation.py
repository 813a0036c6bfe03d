"""Checks how addresses are written: what could be one off, or meant for another table, is told.

Three habits meet in an IO list: protocol addresses from 0, reference numbers such as 40001, and
channels counted from one. The numbers themselves show which habit a person had.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Mapping, Sequence
from typing import NamedTuple

from linectl.site.cells import made_of_terminal
from linectl.site.draft import Draft, Findings
from linectl.site.hardware import Device, Point
from linectl.site.iolist import Row
from linectl.site.notation import Table, both_ways, lookalike

_PLAIN_BELOW = 10_000
"""A protocol address below this cannot be taken for a reference number of five digits."""
_CHANNELS = 8
"""Channels of a bit table come in bytes."""

Rows = Sequence[tuple[Row, Point]]


class _Doubt(NamedTuple):
    """A protocol address that looks like a reference number, and what it would be as one."""

    row: Row
    point: Point
    meant: tuple[Table, int]


def check(draft: Draft, say: Findings) -> None:
    """Ranges that cannot be read; then the habits that each device's rows show."""
    by_device: dict[str, dict[Table, list[tuple[Row, Point]]]] = defaultdict(dict)
    for row, point in draft.points:
        by_device[point.device].setdefault(point.table, []).append((row, point))
    for name, device in draft.devices.items():
        whole = _ranges(draft, say, name, device)
        tables = by_device.get(name, {})
        if device.notation == "protocol" and whole:
            _lookalikes(name, device, tables, say)
            if "notation" not in device.model_fields_set:
                _from_one(draft, name, device, tables, say)
    _notes(draft, say)


def _notes(draft: Draft, say: Findings) -> None:
    """Terminals that a spreadsheet has taken for something else; notes are free, so warnings."""
    for row, point in draft.points:
        made = made_of_terminal(point.note)
        if made is not None:
            text = f"{point.note!r} is {made}: has a spreadsheet made it of a terminal?"
            hint = "write the terminal with its strip, such as X1:2, or a word before the date"
            say.warnings.append(row.finding("note", text, hint))


def _ranges(draft: Draft, say: Findings, name: str, device: Device) -> bool:
    """Whether every range and the heartbeat's address can be read; those that cannot are told."""
    before = len(say.errors)
    for key in ("readable", "holes"):
        for table, texts in getattr(device, key).items():
            for place, text in enumerate(texts):
                path = ("devices", name, key, table, place)
                try:
                    device.ranges({table: (text,)}, table)
                except ValueError as error:
                    say.errors.append(draft.site(path, str(error), "ranges are written first-last"))
                else:
                    _range_lookalike(draft, say, path, device, table, text)
    if device.heartbeat is not None:
        text = device.heartbeat.address
        try:
            device.ranges({"holding": (text,)}, "holding")
            if "-" in text or "–" in text:
                raise ValueError(f"{text!r} is a range; a heartbeat is one register")
        except ValueError as error:
            say.errors.append(draft.site(("devices", name, "heartbeat", "address"), str(error)))
    if device.claim is not None:
        try:
            found = device.ranges({"holding": (device.claim,)}, "holding")
            if len(found[0]) > 1:
                raise ValueError(f"{device.claim!r} is a range; a claim is named by its first")
        except ValueError as error:
            hint = "the first of four free holding registers"
            say.errors.append(draft.site(("devices", name, "claim"), str(error), hint))
    return len(say.errors) == before


def _range_lookalike(
    draft: Draft,
    say: Findings,
    path: tuple[str | int, ...],
    device: Device,
    table: Table,
    text: str,
) -> None:
    if device.notation == "reference" or "notation" in device.model_fields_set:
        return
    first = text.replace("–", "-").partition("-")[0].strip()
    meant = lookalike(table, first)
    if meant is not None:
        say.warnings.append(
            draft.site(
                path,
                f"{first} is read as {both_ways(table, int(first))}, but looks like the reference "
                f"number of {both_ways(*meant)}",
                "give the device notation: reference, or notation: protocol if it is meant so",
            )
        )


def _lookalikes(name: str, device: Device, tables: Mapping[Table, Rows], say: Findings) -> None:
    """Rows in protocol notation that look like reference numbers, one finding a table.

    An error if other rows of the device are written the other way, or the device cannot be read
    there; silent only if site.yaml says both the notation and that it can be read there.
    """
    plain = [
        row
        for rows in tables.values()
        for row, point in rows
        if point.address < _PLAIN_BELOW and lookalike(point.table, row.cells["address"]) is None
    ]
    for table, rows in tables.items():
        ranges = device.ranges(device.readable, table)
        doubts = []
        for row, point in rows:
            meant = lookalike(table, row.cells["address"])
            inside = any(point.address in able for able in ranges)
            if meant is not None and not (inside and "notation" in device.model_fields_set):
                doubts.append(_Doubt(row, point, meant))
        if not doubts:
            continue
        outside = bool(ranges) and any(
            not any(doubt.point.address in able for able in ranges) for doubt in doubts
        )
        _tell(name, doubts, plain, outside, say)


def _tell(
    name: str, doubts: Sequence[_Doubt], plain: Sequence[Row], outside: bool, say: Findings
) -> None:
    row, point, meant = doubts[0]
    cell = row.cells["address"]
    text = (
        f"{cell} is read as {both_ways(point.table, point.address)}, but looks like the reference "
        f"number of {both_ways(*meant)}"
    )
    if len(doubts) > 1:
        text += f"; so do {len(doubts) - 1} more of this table"
    if plain:
        text += f"; {plain[0].tag} ({plain[0].cells['address']}) is written the other way"
    if outside:
        text += f"; {name} says that it cannot be read there"
    hint = (
        f"give {name} notation: reference and write all its rows so; if they are protocol "
        "addresses, give it notation: protocol and the readable ranges they lie in"
    )
    kind = say.errors if plain or outside else say.warnings
    kind.append(row.finding("address", text, hint))


def _from_one(
    draft: Draft, name: str, device: Device, tables: Mapping[Table, Rows], say: Findings
) -> None:
    """Every table begins at 1, or a bit table holds channels 1 to 8, 16 … and none at 0."""
    used = {table: {point.address for _, point in rows} for table, rows in tables.items()}
    if not used or any(device.readable.get(table) for table in used):
        return
    path = ("devices", name, "notation")
    hint = (
        f"if its manual counts from one, give {name} notation: reference and write its rows so; "
        "if address 0 is spare, give it notation: protocol"
    )
    if all(min(addresses) == 1 for addresses in used.values()):
        first = next(iter(used))
        text = (
            f"every table of {name} begins at address 1 and nothing lies at 0: is it counted "
            f"from one? Address 1 is read as {both_ways(first, 1)}"
        )
        say.warnings.append(draft.site(path, text, hint))
        return
    for table in ("coil", "discrete"):
        addresses = used.get(table, set())
        count = len(addresses)
        if count and count % _CHANNELS == 0 and addresses == set(range(1, count + 1)):
            text = (
                f"table {table} of {name} is used from 1 to {count} without a gap, as channels "
                f"counted from one would be; address 1 is read as {both_ways(table, 1)}"
            )
            say.warnings.append(draft.site(path, text, hint))
