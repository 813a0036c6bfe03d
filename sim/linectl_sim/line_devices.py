"""Devices on a modelled line: what they must offer, and plain registers that name themselves.

Every register of a `RegisterDevice` that nobody has written holds `told(salt, unit, table,
address)`: a value that belongs to no other register, so that a master that hands out the answer
to another question is found out. One register may count the requests served, so that an old
answer to the same question is found out too. Behaviour: MODBUS Application Protocol V1.1b3.
"""

from __future__ import annotations

import struct
import zlib
from collections import Counter
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Protocol

from linectl.registers.frames import (
    MAX_WRITE_BITS,
    MAX_WRITE_REGISTERS,
    READ_FUNCTIONS,
    WRITE_COIL,
    WRITE_COILS,
    WRITE_REGISTER,
    WRITE_REGISTERS,
    pack_bits,
    unpack_bits,
)
from linectl.site.reading import MAX_READ_BITS, MAX_READ_REGISTERS

ILLEGAL_FUNCTION, ILLEGAL_ADDRESS, ILLEGAL_VALUE = 1, 2, 3
TABLE_OF = {function: table for table, function in READ_FUNCTIONS.items()}
BIT_TABLES = ("coil", "discrete")


class LineDevice(Protocol):
    """Whoever answers on a line."""

    @property
    def unit(self) -> int: ...

    @property
    def turnaround_ms(self) -> float: ...

    @property
    def pause_ms(self) -> float:
        """Rest it needs after its answer before anyone speaks: what comes sooner is not heard."""

    @property
    def late_ms(self) -> float:
        """By how much its answers come late now, in ms, beyond the turnaround."""

    def request(self, pdu: bytes, now_ms: int) -> bytes:
        """The answer's PDU, an exception included; b"" for silence."""


def told(salt: int, unit: int, table: str, address: int) -> int:
    """The 16 bits of a register that nobody has written; a bit is the lowest of them."""
    return zlib.crc32(f"{salt} {unit} {table} {address}".encode()) >> 16


class RefusalError(Exception):
    """A Modbus exception to be answered."""

    def __init__(self, code: int) -> None:
        self.code = code
        super().__init__(code)


@dataclass
class RegisterDevice:
    """Registers without a machine."""

    unit: int
    addresses: Mapping[str, range] = field(default_factory=lambda: {"holding": range(100)})
    """Which addresses each table has."""
    salt: int = 0
    turnaround_ms: float = 0.0
    pause_ms: float = 0.0
    late_ms: float = 0.0
    counts_at: int | None = None
    """Holding register that shows how many requests have been served, this one included."""
    served: int = 0
    written: dict[tuple[str, int], int] = field(default_factory=dict)
    """What was written, by table and address."""
    writes: Counter[tuple[str, int]] = field(default_factory=Counter)
    """How often each cell was written."""

    def value(self, table: str, address: int) -> int:
        """What a register or bit holds."""
        if table == "holding" and address == self.counts_at:
            return self.served & 0xFFFF
        found = self.written.get((table, address))
        if found is not None:
            return found
        value = told(self.salt, self.unit, table, address)
        return value & 1 if table in BIT_TABLES else value

    def request(self, pdu: bytes, now_ms: int) -> bytes:
        self.served += 1
        function = pdu[0]
        try:
            if function in TABLE_OF:
                return self._read(function, pdu)
            if function in (WRITE_COIL, WRITE_REGISTER) and len(pdu) == 5:
                return self._write_one(function, pdu)
            if function in (WRITE_COILS, WRITE_REGISTERS) and len(pdu) > 6:
                return self._write_many(function, pdu)
            raise RefusalError(ILLEGAL_FUNCTION)
        except RefusalError as refusal:
            return bytes((function | 0x80, refusal.code))

    def _read(self, function: int, pdu: bytes) -> bytes:
        if len(pdu) != 5:
            raise RefusalError(ILLEGAL_VALUE)
        address, quantity = struct.unpack_from(">HH", pdu, 1)
        table = TABLE_OF[function]
        bits = table in BIT_TABLES
        self._check(table, address, quantity, MAX_READ_BITS if bits else MAX_READ_REGISTERS)
        cells = [self.value(table, at) for at in range(address, address + quantity)]
        data = pack_bits(cells) if bits else struct.pack(f">{quantity}H", *cells)
        return bytes((function, len(data))) + data

    def _check(self, table: str, address: int, quantity: int, limit: int) -> None:
        if not 1 <= quantity <= limit:
            raise RefusalError(ILLEGAL_VALUE)
        known = self.addresses.get(table, range(0))
        if address not in known or address + quantity - 1 not in known:
            raise RefusalError(ILLEGAL_ADDRESS)

    def _write_one(self, function: int, pdu: bytes) -> bytes:
        address, value = struct.unpack_from(">HH", pdu, 1)
        if function == WRITE_COIL and value not in (0x0000, 0xFF00):
            raise RefusalError(ILLEGAL_VALUE)
        table = "coil" if function == WRITE_COIL else "holding"
        self._check(table, address, 1, 1)
        self._keep(table, address, value >> 15 if table == "coil" else value)
        return pdu

    def _write_many(self, function: int, pdu: bytes) -> bytes:
        address, quantity, length = struct.unpack_from(">HHB", pdu, 1)
        bits = function == WRITE_COILS
        table = "coil" if bits else "holding"
        expected = (quantity + 7) // 8 if bits else 2 * quantity
        if length != expected or len(pdu) != 6 + length:
            raise RefusalError(ILLEGAL_VALUE)
        self._check(table, address, quantity, MAX_WRITE_BITS if bits else MAX_WRITE_REGISTERS)
        cells = unpack_bits(pdu[6:], quantity) if bits else struct.unpack(f">{quantity}H", pdu[6:])
        for offset, cell in enumerate(cells):
            self._keep(table, address + offset, cell)
        return pdu[:5]

    def _keep(self, table: str, address: int, cell: int) -> None:
        self.written[table, address] = cell
        self.writes[table, address] += 1
