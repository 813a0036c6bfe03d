"""Checks where points lie: tables, bits, overlaps, 32-bit order, the protocol's range."""

from __future__ import annotations

from linectl.errors import Finding
from linectl.site.draft import Draft, Findings
from linectl.site.hardware import Point
from linectl.site.iolist import Row, address_both_ways
from linectl.site.notation import LAST_ADDRESS, both_ways


def check(draft: Draft, say: Findings) -> None:
    """Every point by itself, then every pair on the same table of the same device."""
    tables: dict[tuple[str, str], list[tuple[Row, Point]]] = {}
    for row, point in draft.points:
        _form(draft, row, point, say)
        tables.setdefault((point.device, point.table), []).append((row, point))
    for pairs in tables.values():
        _overlaps(pairs, say)


def _form(draft: Draft, row: Row, point: Point, say: Findings) -> None:
    registers = point.table in ("input", "holding")
    if registers and point.is_bool and point.bit is None:
        text = f"a bool in table {point.table} lies in a register; say which bit, 0–15"
        say.errors.append(row.finding("bit", text))
    if not registers and point.bit is not None:
        text = f"table {point.table} has no bits within an address"
        say.errors.append(row.finding("bit", text, "leave the cell empty"))
    if not registers and not point.is_bool:
        text = f"type {point.type} does not fit in table {point.table}, which holds single bits"
        say.errors.append(row.finding("type", text, "use input or holding, or type bool"))
    if registers and not point.is_bool and point.bit is not None:
        say.errors.append(row.finding("bit", f"type {point.type} takes whole registers"))
    if point.scale == 0:
        say.errors.append(row.finding("scale", "a scale of 0 makes every reading the same"))
    if point.address + point.words - 1 > LAST_ADDRESS:
        where = both_ways(point.table, point.address)
        text = f"{where} with {point.words} registers goes past {LAST_ADDRESS}"
        say.errors.append(row.finding("address", text))
    device = draft.devices.get(point.device)
    if point.words == 2 and point.word_order is None and device and device.word_order is None:
        text = (
            f"type {point.type} takes two registers, and neither this row nor device "
            f"{point.device} says which comes first"
        )
        hint = "write word_order big (high word first) or little, as the device's manual says"
        say.errors.append(row.finding("word_order", text, hint))


def _overlaps(pairs: list[tuple[Row, Point]], say: Findings) -> None:
    """Points of one table on the same bit or register, said at the later row."""
    taken: dict[tuple[int, int | None], tuple[Row, Point]] = {}
    for row, point in pairs:
        for register in range(point.address, point.address + point.words):
            bits: list[int | None] = [point.bit] if point.bit is not None else [None]
            rivals = [key for key in taken if key[0] == register and _meet(key[1], point.bit)]
            if rivals:
                say.errors.append(_clash(row, point, *taken[rivals[0]]))
                break
            for bit in bits:
                taken[register, bit] = (row, point)


def _meet(one: int | None, other: int | None) -> bool:
    """Two claims on a register meet if they are for one bit, or either is for all of it."""
    return one is None or other is None or one == other


def _clash(row: Row, point: Point, other_row: Row, other: Point) -> Finding:
    where = f"{address_both_ways(point)} of {point.device}"
    rival = f"{other.tag} (line {other_row.line}, {address_both_ways(other)})"
    if point.address == other.address and point.bit == other.bit and point.words == other.words:
        if point.direction == other.direction == "out":
            text = f"{where} is one output with two owners: {rival} has it too"
        else:
            text = f"{where} is taken by {rival}"
    else:
        text = f"{where} overlaps {rival}"
    return row.finding("address", text)
