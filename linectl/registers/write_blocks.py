"""Groups a device's outputs into blocks that are written together. Pure.

Neighbouring outputs form a block; a block never covers what is not ours to write.
"""

from __future__ import annotations

from collections.abc import Iterable
from typing import NamedTuple

from linectl.errors import Finding, SiteError
from linectl.registers.frames import (
    MAX_WRITE_BITS,
    MAX_WRITE_REGISTERS,
    READ_FUNCTIONS,
    WRITE_COIL,
    WRITE_COILS,
    WRITE_REGISTER,
    WRITE_REGISTERS,
)
from linectl.registers.wire_time import reading_ms, writing_ms
from linectl.site.hardware import CLAIM_REGISTERS, Bus, Device, Point
from linectl.site.notation import Table
from linectl.site.reading import read_limit


class WriteBlock(NamedTuple):
    """Neighbouring coils or registers that are all ours to write; `points` by address."""

    device: str
    unit: int
    table: Table
    address: int
    quantity: int
    points: tuple[int, ...]


def plan_writes(name: str, device: Device, points: Iterable[Point]) -> tuple[WriteBlock, ...]:
    """The blocks of device `name`'s outputs.

    Raises SiteError for a 32-bit output on a device that writes single registers only.
    """
    mine = [point for point in points if point.device == name and point.direction == "out"]
    if device.write == "single":
        _refuse_long(name, mine)
    blocks: list[WriteBlock] = []
    for table in ("coil", "holding"):
        rows = sorted((p for p in mine if p.table == table), key=lambda p: (p.address, p.index))
        limit = (
            min(MAX_WRITE_BITS, device.max_write_bits)
            if table == "coil"
            else min(MAX_WRITE_REGISTERS, device.max_write_registers)
        )
        for start, end, indices in _runs(rows, limit):
            blocks.append(WriteBlock(name, device.unit, rows[0].table, start, end - start, indices))
    return tuple(blocks)


def read_back_ms(block: WriteBlock, device: Device, bus: Bus) -> float:
    """Time to read a block of outputs back after its refresh, in ms; 0 if it is not."""
    if not device.read_back:
        return 0.0
    limit = read_limit(device, block.table)
    whole, rest = divmod(block.quantity, limit)
    function = READ_FUNCTIONS[block.table]
    parts = [limit] * whole + [rest] * (rest > 0)
    return sum(reading_ms(bus, device, function, quantity) for quantity in parts)


def heartbeat_ms(device: Device, bus: Bus) -> float:
    """Time of one heartbeat, the write of one register, in ms; 0 if the device has none."""
    if device.heartbeat is None:
        return 0.0
    return writing_ms(bus, device, write_function(device, "holding", 1), 1)


def claim_ms(device: Device, bus: Bus) -> float:
    """Time of looking at a claim and writing it anew, in ms; 0 if the device has none."""
    if device.claim is None:
        return 0.0
    looking_ms = reading_ms(bus, device, READ_FUNCTIONS["holding"], CLAIM_REGISTERS)
    return looking_ms + writing_ms(bus, device, WRITE_REGISTERS, CLAIM_REGISTERS)


def write_function(device: Device, table: Table, count: int) -> int:
    """The function that writes `count` neighbours of that table to this device."""
    single = device.write == "single" or (count == 1 and device.write == "both")
    if table == "coil":
        return WRITE_COIL if single else WRITE_COILS
    return WRITE_REGISTER if single else WRITE_REGISTERS


def write_request_ms(block: WriteBlock, device: Device, bus: Bus) -> float:
    """Time of the longest single request that writes to the block, in ms."""
    function = write_function(device, block.table, block.quantity)
    single = function in (WRITE_COIL, WRITE_REGISTER)
    return writing_ms(bus, device, function, 1 if single else block.quantity)


def write_block_ms(block: WriteBlock, device: Device, bus: Bus) -> float:
    """Time to write a whole block once, in ms (one request each for a single-write device)."""
    single = write_function(device, block.table, block.quantity) in (WRITE_COIL, WRITE_REGISTER)
    return write_request_ms(block, device, bus) * (block.quantity if single else 1)


def _runs(rows: list[Point], limit: int) -> list[tuple[int, int, tuple[int, ...]]]:
    """Unbroken stretches of addresses, each within `limit`: start, end, point indices."""
    runs: list[tuple[int, int, list[int]]] = []
    for point in rows:
        after = point.address + point.words
        if runs:
            start, end, taken = runs[-1]
            if point.address <= end and max(end, after) - start <= limit:
                runs[-1] = (start, max(end, after), [*taken, point.index])
                continue
        runs.append((point.address, after, [point.index]))
    return [(start, end, tuple(taken)) for start, end, taken in runs]


def _refuse_long(name: str, outputs: list[Point]) -> None:
    findings = [
        Finding(
            "io.csv",
            point.line,
            "type",
            f"{point.tag}: {point.type} takes two registers, but {name} writes one at a time "
            "(write: single): half a value would reach the machine",
            "use a 16-bit set-point, or write: multiple if the device's manual allows it",
        )
        for point in outputs
        if point.words == 2
    ]
    if findings:
        raise SiteError(findings)
