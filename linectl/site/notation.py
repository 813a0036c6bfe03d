"""How people write Modbus addresses: protocol addresses, or reference numbers counted from one.

    protocol    what travels on the wire: 0–65535 in each table
    reference   the data model's item number behind the table's digit: 40018 or 400018 is holding 17
                `item 18` says the same without the digit, and no spreadsheet alters it

MODBUS Application Protocol V1.1b3 (2012), 4.4: item n of a table has the protocol address n−1.
The table's digit (0 coils, 1 discrete inputs, 3 input registers, 4 holding registers) is common
practice and stands in no edition of that specification; five digits reach item 9999, six 65536.
"""

from __future__ import annotations

import re
from typing import Literal

Table = Literal["coil", "discrete", "input", "holding"]
"""The four Modbus tables; coil and holding can be written."""

Notation = Literal["protocol", "reference"]

DIGIT: dict[Table, str] = {"coil": "0", "discrete": "1", "input": "3", "holding": "4"}
TABLE_OF_DIGIT: dict[str, Table] = {digit: table for table, digit in DIGIT.items()}
LAST_ADDRESS = 65_535
"""MODBUS Application Protocol V1.1b3 (2012), 4.4: addresses 0–65535."""

_SHORT_ITEMS = 9_999
_ITEM = re.compile(r"item\s+(\d+)", re.I | re.A)
_KINDRED: dict[Table, tuple[Table, ...]] = {
    "coil": ("coil", "discrete"),
    "discrete": ("discrete", "coil"),
    "input": ("input", "holding"),
    "holding": ("holding", "input"),
}
"""Tables that a manual's number may have been meant for: bits for bits, registers for registers."""


def protocol_address(table: Table, text: str, notation: Notation) -> int:
    """The protocol address that `text` means. Raises ValueError that says what would be right."""
    text = text.strip()
    if item := _ITEM.fullmatch(text):
        if notation == "protocol":
            raise ValueError(
                f"{text!r} counts from one, but this device's addresses are protocol addresses; "
                f"write {max(int(item[1]) - 1, 0)}, or give the device notation: reference"
            )
        return _item_address(table, text, int(item[1]))
    if not (text.isascii() and text.isdecimal()):
        raise ValueError(f"{text!r} is not a whole number")
    if notation == "protocol":
        return _protocol(table, text)
    meant = reference_meant(text)
    if meant is None:
        raise ValueError(_no_reference(table, text))
    if meant[0] == table:
        return meant[1]
    raise ValueError(_other_table(table, text, *meant))


def _protocol(table: Table, text: str) -> int:
    address = int(text)
    if address <= LAST_ADDRESS:
        return address
    meant = reference_meant(text)
    first = f"the manual's {reference(table, 0)} is 0"
    hint = f"; as a reference number it is {both_ways(*meant)}" if meant is not None else ""
    raise ValueError(
        f"address {text} is outside 0–{LAST_ADDRESS} (protocol address; {first}){hint}"
    )


def _item_address(table: Table, text: str, item: int) -> int:
    if item == 0:
        raise ValueError(
            f"{text!r}: items are counted from one; {reference(table, 0)} is the first of table "
            f"{table}, protocol address 0"
        )
    if item > LAST_ADDRESS + 1:
        raise ValueError(f"{text!r}: table {table} ends with item {LAST_ADDRESS + 1}")
    return item - 1


def reference_meant(text: str) -> tuple[Table, int] | None:
    """Table and protocol address of a reference number of five or six digits; None if it is none.

    Item 0 is none: items are counted from one.
    """
    if not (text.isascii() and text.isdecimal()) or len(text) not in (5, 6):
        return None
    table = TABLE_OF_DIGIT.get(text[0])
    item = int(text[1:])
    if table is None or not 1 <= item <= LAST_ADDRESS + 1:
        return None
    return table, item - 1


def _no_reference(table: Table, text: str) -> str:
    """Why digits are no reference number, and the readings between which a person must choose."""
    number = int(text)
    if len(text) in (5, 6) and text[0] == DIGIT[table] and int(text[1:]) == 0:
        return (
            f"{text!r} is item 0, and items are counted from one: {reference(table, 0)} is the "
            f"first of table {table}; a manual that begins at {text} prints protocol addresses"
        )
    start = f"{text!r} is not a reference number of table {table}"
    if len(text) > 4 or number > LAST_ADDRESS:
        first = reference(table, 0)
        return f"{start}: write five or six digits, {first} for its first item"
    if number == 0:
        return f"{start}: if it is protocol address 0, write {reference(table, 0)}"
    choice = (
        f"if it is item {number}, write {_wide(table, number - 1)}; if it is protocol address "
        f"{number}, write {_wide(table, number)}"
    )
    if table == "coil":
        return f"{start}: a spreadsheet eats leading zeros; {choice}"
    return f"{start}: {choice}"


def _wide(table: Table, address: int) -> str:
    """How a reference number is best written: coils begin with zeros, which spreadsheets eat."""
    if table == "coil":
        return f"`item {address + 1}` ({reference(table, address)} only in a cell kept as text)"
    return reference(table, address)


def _other_table(table: Table, text: str, other: Table, address: int) -> str:
    """Why a reference number does not fit its row, and what a coil's may have been."""
    said = f"{text} is {both_ways(other, address)}, but the row says table {table}"
    if table == "coil":
        number = int(text)
        said += (
            f"; if a spreadsheet has eaten the zero of coil 0{text}, write `item {number}`"
            f" (protocol address {number - 1})"
        )
    return said


def lookalike(table: Table, text: str) -> tuple[Table, int] | None:
    """What a cell in protocol notation would be as a reference number, if it looks like one.

    Digits count only if they stand for this table or the one it is mistaken for: 30018 in table
    holding does, 10018 does not.
    """
    meant = reference_meant(text.strip())
    return meant if meant is not None and meant[0] in _KINDRED[table] else None


def reference(table: Table, address: int) -> str:
    """The reference number: five digits where they reach, else six."""
    item = address + 1
    return f"{DIGIT[table]}{item:0{4 if item <= _SHORT_ITEMS else 5}d}"


def both_ways(table: Table, address: int, words: int = 1) -> str:
    """`holding 17 (reference 40018)`, or for several `holding 17–18 (reference 40018–40019)`:
    how an address is always shown."""
    if words == 1:
        return f"{table} {address} (reference {reference(table, address)})"
    last = address + words - 1
    spoken = f"{reference(table, address)}–{reference(table, last)}"
    return f"{table} {address}–{last} (reference {spoken})"


def address_range(table: Table, text: str, notation: Notation) -> range:
    """The protocol addresses of `first-last`, or of one address. Raises ValueError."""
    first, dash, last = (part.strip() for part in text.replace("–", "-").partition("-"))
    start = protocol_address(table, first, notation)
    end = protocol_address(table, last, notation) if dash else start
    if end < start:
        raise ValueError(f"{text!r} runs backwards")
    return range(start, end + 1)
