"""Groups a device's inputs into requests, within the protocol's and the device's limits. Pure.

The plan is the requests of least bus time (`least_time.py`), our own time for each included. An
address that no point names is read only if the device says that gaps are fine. A 32-bit value and
a group are never split. Each point comes from one request: the fastest of those that cover it.
Slower polling classes are read at each n-th poll, at phases that level the load (`phases.py`).
Outputs are grouped in `write_blocks.py`.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence

from linectl.errors import Finding, SiteError
from linectl.registers.frames import READ_FUNCTIONS
from linectl.registers.least_time import Span, Tariff, least_time
from linectl.registers.phases import PollTable
from linectl.registers.requests import ReadRequest
from linectl.registers.wire_time import HOST_MS, reading_ms
from linectl.registers.write_blocks import WriteBlock, plan_writes
from linectl.site.hardware import Bus, Device, Point
from linectl.site.model import Site
from linectl.site.notation import both_ways
from linectl.site.reading import Readable, Unit, polls_between, read_limit, units_of

PARTS_PER_MS = 1_000_000_000
"""The planner counts in whole picoseconds, so that equal plans are equal."""


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


def read_ms(request: ReadRequest, device: Device, bus: Bus) -> float:
    """Time the request holds the bus, in ms."""
    return reading_ms(bus, device, request.function, request.quantity)


def one_by_one_ms(point: Point, device: Device, bus: Bus) -> float:
    """Time a request for that input alone would hold the bus, in ms."""
    return reading_ms(bus, device, READ_FUNCTIONS[point.table], point.words)


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
        round((reading_ms(bus, device, function, count) + HOST_MS) * PARTS_PER_MS)
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
