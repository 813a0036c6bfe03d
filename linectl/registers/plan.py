"""Groups a device's points into few requests, within the protocol's and the device's limits.

Reading: an address that no point names is read only if the device says that gaps are fine, and
then only over gaps that cost less than a request of their own. A 32-bit value is never split.
Writing: neighbouring outputs form a block; a block never covers what is not ours to write.
Greedy from the lowest address: not always the fewest requests, always allowed ones.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import NamedTuple

from linectl.errors import Finding, SiteError
from linectl.registers.frames import (
    MAX_READ_BITS,
    MAX_READ_REGISTERS,
    MAX_WRITE_BITS,
    MAX_WRITE_REGISTERS,
    READ_FUNCTIONS,
    WRITE_COIL,
    WRITE_COILS,
    WRITE_REGISTER,
    WRITE_REGISTERS,
    read_pdu_bytes,
    write_pdu_bytes,
)
from linectl.registers.wire_time import HOST_MS, exchange_ms
from linectl.site.hardware import Bus, Device, Point
from linectl.site.model import Site
from linectl.site.notation import Table, reference

TABLE_OF_READ: dict[int, Table] = {code: table for table, code in READ_FUNCTIONS.items()}


class ReadRequest(NamedTuple):
    """One read: `points` are the image indices it brings, by address."""

    device: str
    unit: int
    function: int
    address: int
    quantity: int
    points: tuple[int, ...]
    every: int = 1
    """Read at each so-manieth poll, when the poll's number leaves `phase`."""
    phase: int = 0


class WriteBlock(NamedTuple):
    """Neighbouring coils or registers that are all ours to write; `points` by address."""

    device: str
    unit: int
    table: Table
    address: int
    quantity: int
    points: tuple[int, ...]


def plan_reads(
    name: str, device: Device, bus: Bus, points: Iterable[Point]
) -> tuple[ReadRequest, ...]:
    """The requests of one poll of device `name`: its input points, table by table."""
    mine = [point for point in points if point.device == name and point.direction == "in"]
    requests: list[ReadRequest] = []
    for table, function in READ_FUNCTIONS.items():
        rows = sorted((p for p in mine if p.table == table), key=lambda p: (p.address, p.index))
        requests.extend(_merge(name, device, bus, function, rows))
    return tuple(requests)


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


def read_ms(request: ReadRequest, device: Device, bus: Bus) -> float:
    """Time the request holds the bus, in ms."""
    pdu_bytes = read_pdu_bytes(request.function, request.quantity)
    return exchange_ms(bus, device.turnaround_ms, pdu_bytes)


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
    pdu_bytes = write_pdu_bytes(function, 1 if single else block.quantity)
    return exchange_ms(bus, device.turnaround_ms, pdu_bytes)


def write_block_ms(block: WriteBlock, device: Device, bus: Bus) -> float:
    """Time to write a whole block once, in ms (one request each for a single-write device)."""
    single = write_function(device, block.table, block.quantity) in (WRITE_COIL, WRITE_REGISTER)
    return write_request_ms(block, device, bus) * (block.quantity if single else 1)


def read_plan(site: Site, bus_name: str) -> tuple[ReadRequest, ...]:
    """One poll of a bus: every request of its devices, in the site's order."""
    bus = site.file.buses[bus_name]
    return tuple(
        request
        for name, device in site.file.devices.items()
        if device.bus == bus_name
        for request in plan_reads(name, device, bus, site.points)
    )


def write_plan(site: Site, bus_name: str) -> tuple[WriteBlock, ...]:
    """Every block of outputs of a bus's devices, in the site's order."""
    return tuple(
        block
        for name, device in site.file.devices.items()
        if device.bus == bus_name
        for block in plan_writes(name, device, site.points)
    )


def _read_limit(device: Device, function: int) -> int:
    if function in (READ_FUNCTIONS["coil"], READ_FUNCTIONS["discrete"]):
        return min(MAX_READ_BITS, device.max_read_bits)
    return min(MAX_READ_REGISTERS, device.max_read_registers)


def _merge(
    name: str, device: Device, bus: Bus, function: int, rows: list[Point]
) -> list[ReadRequest]:
    limit = _read_limit(device, function)
    requests: list[ReadRequest] = []
    start = end = 0
    taken: list[int] = []

    def close() -> None:
        if taken:
            requests.append(
                ReadRequest(name, device.unit, function, start, end - start, tuple(taken))
            )

    for point in rows:
        after = max(end, point.address + point.words)
        gap = point.address - end
        joins = bool(taken) and after - start <= limit
        if joins and gap > 0:
            joins = device.gaps and _gap_pays(device, bus, function, end - start, after - start)
        if not joins:
            close()
            start, after, taken = point.address, point.address + point.words, []
        end = after
        taken.append(point.index)
    close()
    return requests


def _gap_pays(device: Device, bus: Bus, function: int, count: int, merged: int) -> bool:
    """True if one longer request is no dearer than two, our own time included."""

    def cost(length: int) -> float:
        return exchange_ms(bus, device.turnaround_ms, read_pdu_bytes(function, length)) + HOST_MS

    return cost(merged) <= cost(count) + cost(1)


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


def split(request: ReadRequest, points: Sequence[Point], device: Device) -> tuple[ReadRequest, ...]:
    """The request in two halves, parted between two points; alone if it brings only one."""
    middle = len(request.points) // 2
    halves = [half for half in (request.points[:middle], request.points[middle:]) if half]
    found = []
    for half in halves:
        first = min(points[index].address for index in half)
        end = max(points[index].address + points[index].words for index in half)
        found.append(request._replace(address=first, quantity=end - first, points=half))
    return tuple(found)


def hole_of(request: ReadRequest, device: Device) -> str:
    """What to write under `holes` for a request that the device refuses, in its notation."""
    last = request.address + request.quantity - 1
    if device.notation == "protocol":
        ends = [str(request.address), str(last)]
    else:
        table = TABLE_OF_READ[request.function]
        ends = [reference(table, request.address), reference(table, last)]
    return ends[0] if request.quantity == 1 else "-".join(ends)
