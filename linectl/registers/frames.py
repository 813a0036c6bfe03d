"""Frames and PDUs as bytes: CRC-16, packed bits, lengths, the protocol's limits. Pure.

Source of all: MODBUS Application Protocol V1.1b3 (2012), MODBUS over Serial Line V1.02 (2006).
"""

from __future__ import annotations

from collections.abc import Sequence

from linectl.site.notation import Table

READ_COILS, READ_DISCRETE, READ_HOLDING, READ_INPUT = 1, 2, 3, 4
WRITE_COIL, WRITE_REGISTER, WRITE_COILS, WRITE_REGISTERS = 5, 6, 15, 16
MASK_WRITE = 22

READ_FUNCTIONS: dict[Table, int] = {
    "coil": READ_COILS,
    "discrete": READ_DISCRETE,
    "holding": READ_HOLDING,
    "input": READ_INPUT,
}

MAX_WRITE_BITS = 1968
MAX_WRITE_REGISTERS = 123
MAX_PDU_BYTES = 253
RTU_OVERHEAD_BYTES = 3  # unit and CRC
TCP_OVERHEAD_BYTES = 7  # MBAP header with the unit
REQUEST_PDU_BYTES = 5  # function, address, quantity or value


def _crc_table() -> tuple[int, ...]:
    table = []
    for value in range(256):
        for _ in range(8):
            value = value >> 1 ^ (0xA001 if value & 1 else 0)
        table.append(value)
    return tuple(table)


_CRC = _crc_table()


def crc16(frame: bytes) -> bytes:
    """The two CRC bytes as they follow `frame` on the wire, low byte first."""
    crc = 0xFFFF
    for byte in frame:
        crc = crc >> 8 ^ _CRC[(crc ^ byte) & 0xFF]
    return crc.to_bytes(2, "little")


def pack_bits(bits: Sequence[int]) -> bytes:
    """Bits as they travel: the first bit is the lowest of the first byte; rest padded with 0."""
    packed = bytearray((len(bits) + 7) // 8)
    for place, bit in enumerate(bits):
        if bit:
            packed[place >> 3] |= 1 << (place & 7)
    return bytes(packed)


def unpack_bits(packed: bytes, count: int) -> tuple[int, ...]:
    """The first `count` bits of `packed`. Raises ValueError when there are fewer."""
    if count > len(packed) * 8:
        raise ValueError(f"{count} bits asked, {len(packed)} bytes came")
    return tuple(packed[place >> 3] >> (place & 7) & 1 for place in range(count))


def mask_write(current: int, and_mask: int, or_mask: int) -> int:
    """Register after function 22: (current AND and_mask) OR (or_mask AND NOT and_mask)."""
    return (current & and_mask) | (or_mask & ~and_mask & 0xFFFF)


def read_pdu_bytes(function: int, count: int) -> tuple[int, int]:
    """PDU bytes of a read request and of its answer."""
    data = (count + 7) // 8 if function in (READ_COILS, READ_DISCRETE) else 2 * count
    return REQUEST_PDU_BYTES, 2 + data


def write_pdu_bytes(function: int, count: int) -> tuple[int, int]:
    """PDU bytes of a write request and of its answer (an echo of five bytes)."""
    if function in (WRITE_COIL, WRITE_REGISTER):
        return REQUEST_PDU_BYTES, REQUEST_PDU_BYTES
    data = (count + 7) // 8 if function == WRITE_COILS else 2 * count
    return REQUEST_PDU_BYTES + 1 + data, REQUEST_PDU_BYTES
