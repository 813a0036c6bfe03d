"""How people write Modbus addresses: protocol addresses, or reference numbers counted from one.

    protocol    what travels on the wire: 0–65535 in each table
    reference   the data model's item number behind the table's digit: 40018 or 400018 is holding 17

MODBUS Application Protocol V1.1b3 (2012), 4.4: item n of a table has the protocol address n−1.
The table's digit (0 coils, 1 discrete inputs, 3 input registers, 4 holding registers) is common
practice and stands in no edition of that specification; five digits reach item 9999, six 65536.
"""

from __future__ import annotations

from typing import Literal

Table = Literal["coil", "discrete", "input", "holding"]
"""The four Modbus tables; coil and holding can be written."""

Notation = Literal["protocol", "reference"]

DIGIT: dict[Table, str] = {"coil": "0", "discrete": "1", "input": "3", "holding": "4"}
LAST_ADDRESS = 65_535
_SHORT_ITEMS = 9_999


def protocol_address(table: Table, text: str, notation: Notation) -> int:
    """The protocol address that `text` means. Raises ValueError that says what would be right."""
    if not (text.isascii() and text.isdecimal()):
        raise ValueError(f"{text!r} is not a whole number")
    if notation == "protocol":
        address = int(text)
        if address > LAST_ADDRESS:
            meant = _as_reference(table, text)
            hint = f"; as a reference number it would be {meant}" if meant is not None else ""
            raise ValueError(
                f"address {text} is outside 0–{LAST_ADDRESS} (protocol address; the manual's "
                f"{reference(table, 0)} is 0){hint}"
            )
        return address
    found = _as_reference(table, text)
    if found is None:
        raise ValueError(
            f"{text!r} is not a reference number of table {table}: write five or six digits, "
            f"{reference(table, 0)} for its first item"
        )
    return found


def _as_reference(table: Table, text: str) -> int | None:
    """The protocol address of a reference number of five or six digits; None if it is none."""
    if len(text) not in (5, 6) or text[0] != DIGIT[table]:
        return None
    item = int(text[1:])
    return item - 1 if 1 <= item <= LAST_ADDRESS + 1 else None


def reference(table: Table, address: int) -> str:
    """The reference number: five digits where they reach, else six."""
    item = address + 1
    return f"{DIGIT[table]}{item:0{4 if item <= _SHORT_ITEMS else 5}d}"


def both_ways(table: Table, address: int) -> str:
    """`holding 17 (reference 40018)`: how an address is always shown."""
    return f"{table} {address} (reference {reference(table, address)})"


def address_range(table: Table, text: str, notation: Notation) -> range:
    """The protocol addresses of `first-last`, or of one address. Raises ValueError."""
    first, dash, last = (part.strip() for part in text.partition("-"))
    start = protocol_address(table, first, notation)
    end = protocol_address(table, last, notation) if dash else start
    if end < start:
        raise ValueError(f"{text!r} runs backwards")
    return range(start, end + 1)
