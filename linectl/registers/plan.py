"""Groups a device's points into requests, within the protocol's and the device's limits. Pure.

Reading: the requests of least bus time (`least_time.py`), our own time for each included. An
address that no point names is read only if the device says that gaps are fine. A 32-bit value and
a group are never split. Each point comes from one request: the fastest of those that cover it.
Slower polling classes are read at each n-th poll, at phases that level the load (`phases.py`).
Writing: neighbouring outputs form a block; a block never covers what is not ours to write.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
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
    read_pdu_bytes,
    write_pdu_bytes,
)
from linectl.registers.least_time import Span, Tariff, least_time
from linectl.registers.phases import PollTable
from linectl.registers.wire_time import HOST_MS, exchange_ms
from linectl.site.hardware import Bus, Device, Point
from linectl.site.model import Site
from linectl.site.notation import Table, both_ways, reference
from linectl.site.reading import Readable, Unit, polls_between, read_limit, units_of

PARTS_PER_MS = 1_000_000_000
"""The planner counts in whole picoseconds, so that equal plans are equal."""

TABLE_OF: dict[int, Table] = {function: table for table, function in READ_FUNCTIONS.items()}


class ReadRequest(NamedTuple):
    """One read: `points` are the image indices that are taken from it, by address.

    It is due at the polls whose number leaves `phase` when divided by `every`, counted from 0.
    """

    device: str
    unit: int
    function: int
    address: int
    quantity: int
    points: tuple[int, ...]
    poll: str = ""
    """Its polling class; "": every poll."""
    every: int = 1
    phase: int = 0

    @property
    def table(self) -> Table:
        return TABLE_OF[self.function]

    @property
    def rate(self) -> float:
        """Share of the polls at which it is due."""
        return 1 / self.every

    def due(self, poll: int) -> bool:
        """True if the request belongs to the poll of that number."""
        return poll % self.every == self.phase


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
    """The requests of device `name`, the more frequent first, then by table and address.

    Phases level this device alone; `read_plan` levels all devices of a bus. Raises SiteError for a
    unit that no request of the device may bring, KeyError for an unknown polling class.
    """
    mine = [point for point in points if point.device == name]
    requests: list[ReadRequest] = []
    for table, function in READ_FUNCTIONS.items():
        inputs = [point for point in mine if point.table == table and point.direction == "in"]
        units = units_of(bus, inputs)
        readable = Readable(device, table, mine)
        limit = read_limit(device, table)
        _refuse_unreadable(name, units, readable, limit, mine)
        for stretch in _stretches(units, readable, limit):
            requests += _planned(name, device, bus, function, stretch, limit)
    requests.sort(key=lambda request: (request.every, request.function, request.address))
    return _levelled(requests, {name: device}, bus)


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
    return _reading_ms(request.function, request.quantity, device, bus)


def one_by_one_ms(point: Point, device: Device, bus: Bus) -> float:
    """Time a request for that input alone would hold the bus, in ms."""
    return _reading_ms(READ_FUNCTIONS[point.table], point.words, device, bus)


def _reading_ms(function: int, quantity: int, device: Device, bus: Bus) -> float:
    pdu_bytes = read_pdu_bytes(function, quantity)
    return exchange_ms(bus, device.turnaround_ms, pdu_bytes, device.pause_ms)


def read_back_ms(block: WriteBlock, device: Device, bus: Bus) -> float:
    """Time to read a block of outputs back after its refresh, in ms; 0 if it is not."""
    if not device.read_back:
        return 0.0
    limit = read_limit(device, block.table)
    whole, rest = divmod(block.quantity, limit)
    function = READ_FUNCTIONS[block.table]
    parts = [limit] * whole + [rest] * (rest > 0)
    return sum(_reading_ms(function, quantity, device, bus) for quantity in parts)


def heartbeat_ms(device: Device, bus: Bus) -> float:
    """Time of one heartbeat, the write of one register, in ms; 0 if the device has none."""
    if device.heartbeat is None:
        return 0.0
    pdu_bytes = write_pdu_bytes(write_function(device, "holding", 1), 1)
    return exchange_ms(bus, device.turnaround_ms, pdu_bytes, device.pause_ms)


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
    return exchange_ms(bus, device.turnaround_ms, pdu_bytes, device.pause_ms)


def write_block_ms(block: WriteBlock, device: Device, bus: Bus) -> float:
    """Time to write a whole block once, in ms (one request each for a single-write device)."""
    single = write_function(device, block.table, block.quantity) in (WRITE_COIL, WRITE_REGISTER)
    return write_request_ms(block, device, bus) * (block.quantity if single else 1)


def read_plan(site: Site, bus_name: str) -> tuple[ReadRequest, ...]:
    """Every request of a bus's devices, in the site's order; phases level the whole bus."""
    bus = site.file.buses[bus_name]
    devices = {n: device for n, device in site.file.devices.items() if device.bus == bus_name}
    requests = [
        request
        for name, device in devices.items()
        for request in plan_reads(name, device, bus, site.points)
    ]
    return _levelled(requests, devices, bus)


def write_plan(site: Site, bus_name: str) -> tuple[WriteBlock, ...]:
    """Every block of outputs of a bus's devices, in the site's order."""
    return tuple(
        block
        for name, device in site.file.devices.items()
        if device.bus == bus_name
        for block in plan_writes(name, device, site.points)
    )


def _levelled(
    requests: list[ReadRequest], devices: Mapping[str, Device], bus: Bus
) -> tuple[ReadRequest, ...]:
    """The requests with phases: the more frequent and longer ones choose their polls first."""
    cost = [read_ms(request, devices[request.device], bus) for request in requests]
    table = PollTable(request.every for request in requests)
    chosen = list(requests)
    for place in sorted(range(len(cost)), key=lambda n: (requests[n].every, -cost[n], n)):
        request = requests[place]
        phase = table.lightest(request.every)
        table.add(request.every, phase, cost[place])
        chosen[place] = request._replace(phase=phase)
    return tuple(chosen)


def _stretches(units: Sequence[Unit], readable: Readable, limit: int) -> list[list[Unit]]:
    """The units parted where no request may reach from one to the next."""
    parts: list[list[Unit]] = []
    last = 0
    for unit in units:
        gap = range(last + 1, unit.first)
        if parts and len(gap) < limit and readable.allows(gap):
            parts[-1].append(unit)
        else:
            parts.append([unit])
        last = max(last, unit.last) if len(parts[-1]) > 1 else unit.last
    return parts


def _planned(
    name: str, device: Device, bus: Bus, function: int, units: Sequence[Unit], limit: int
) -> list[ReadRequest]:
    """The requests of least time for units that may share them."""
    paces = sorted({unit.every for unit in units})
    whole = math.lcm(*paces)
    spans = [Span(unit.first, unit.last, paces.index(unit.every)) for unit in units]
    tariff = _tariff(device, bus, function)
    _, found = least_time(spans, limit, tariff, [whole // pace for pace in paces])
    names = {polls_between(bus, name): name for name in reversed(bus.polls)} | {1: ""}
    return [
        ReadRequest(
            name, device.unit, function, span.first, span.last - span.first + 1, points,
            names[paces[span.rank]], paces[span.rank],
        )
        for span, points in zip(found, _taken(found, spans, units), strict=True)
    ]  # fmt: skip


def _tariff(device: Device, bus: Bus, function: int) -> Tariff:
    """What a read costs, in the planner's own parts: its bus time and our own."""
    cells = 8 if function in (READ_FUNCTIONS["coil"], READ_FUNCTIONS["discrete"]) else 1
    one, two = (
        round((_reading_ms(function, count, device, bus) + HOST_MS) * PARTS_PER_MS)
        for count in (cells, 2 * cells)
    )
    return Tariff(2 * one - two, two - one, cells)


def _taken(
    requests: Sequence[Span], spans: Sequence[Span], units: Sequence[Unit]
) -> list[tuple[int, ...]]:
    """The points of each request: a unit belongs to the fastest, then first, that covers it."""
    taken: list[list[int]] = [[] for _ in requests]
    ahead = 0
    near: list[int] = []
    for span, unit in zip(spans, units, strict=True):
        while ahead < len(requests) and requests[ahead].first <= span.first:
            near.append(ahead)
            ahead += 1
        near = [place for place in near if requests[place].last >= span.first]
        covering = [place for place in near if requests[place].last >= span.last]
        taken[min(covering, key=lambda place: (requests[place].rank, place))] += unit.points
    return [tuple(points) for points in taken]


def _refuse_unreadable(
    name: str, units: Iterable[Unit], readable: Readable, limit: int, points: Iterable[Point]
) -> None:
    """A unit that is too long, or lies where the device must not be read."""
    by_index = {point.index: point for point in points}
    findings = []
    for unit in units:
        addresses = range(unit.first, unit.last + 1)
        if len(addresses) <= limit and readable.allows(addresses):
            continue
        point = by_index[unit.points[0]]
        text = (
            f"{point.tag}: {both_ways(point.table, unit.first)} with {len(addresses)} addresses "
            f"cannot be read in one request of {name}, whose limit is {limit}"
        )
        hint = "see readable, holes, gaps and the limits of the device in site.yaml"
        findings.append(Finding("io.csv", point.line, "address", text, hint))
    if findings:
        raise SiteError(findings)


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
        table = TABLE_OF[request.function]
        ends = [reference(table, request.address), reference(table, last)]
    return ends[0] if request.quantity == 1 else "-".join(ends)
