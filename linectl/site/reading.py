"""What of a device may be read in one request, what must come together, and how often.

A *unit* is what no two requests may share: a point, or a group of points. A 32-bit value is one
point, so it is never split either.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import NamedTuple

from linectl.site.hardware import Bus, Device, Point
from linectl.site.notation import Table

MAX_READ_BITS = 2000
MAX_READ_REGISTERS = 125
"""Of one request: MODBUS Application Protocol V1.1b3 (2012), 6.1 to 6.4."""


class Unit(NamedTuple):
    """Addresses `first` to `last` that come from one request at each `every`-th poll or faster."""

    first: int
    last: int
    every: int
    points: tuple[int, ...]
    """Image indices, by address."""


def polls_between(bus: Bus, name: str) -> int:
    """A class's period in whole polls of its bus, rounded up; 1 for "" (every poll).

    Raises KeyError for a class that the bus does not have.
    """
    return 1 if not name else -(-bus.polls[name] // bus.poll_ms)


def read_limit(device: Device, table: Table) -> int:
    """The most addresses of that table in one request: the protocol's limit or the device's."""
    if table in ("coil", "discrete"):
        return min(MAX_READ_BITS, device.max_read_bits)
    return min(MAX_READ_REGISTERS, device.max_read_registers)


def units_of(bus: Bus, points: Iterable[Point]) -> list[Unit]:
    """The units of one device's input points of one table, by address.

    Raises KeyError for a class that the bus does not have.
    """
    parts: dict[str, list[Point]] = {}
    for point in points:
        parts.setdefault(f"group {point.group}" if point.group else f"{point.index}", []).append(
            point
        )
    units = []
    for members in parts.values():
        members.sort(key=lambda point: (point.address, point.index))
        last = max(point.address + point.words - 1 for point in members)
        every = min(polls_between(bus, point.poll) for point in members)
        units.append(Unit(members[0].address, last, every, tuple(point.index for point in members)))
    return sorted(units)


class Readable:
    """Which stretches of one table of a device a request may cover.

    Without `gaps` only addresses that a point names: an input, or an output of a device whose
    outputs can be read back. Never outside `readable`, never over a hole.
    """

    def __init__(self, device: Device, table: Table, points: Iterable[Point]) -> None:
        """`points`: all of the device. Raises ValueError for a range that cannot be read."""
        self._ranges = device.ranges(device.readable, table)
        self._holes = device.ranges(device.holes, table)
        self._gaps = device.gaps
        self._named = {
            address
            for point in points
            if point.table == table and (point.direction == "in" or device.read_back)
            for address in range(point.address, point.address + point.words)
        }

    def hole(self, addresses: range) -> range | None:
        """The first hole that a stretch touches, if any."""
        return next((hole for hole in self._holes if _meet(hole, addresses)), None)

    def outside(self, addresses: range) -> bool:
        """True if any of the stretch lies outside what the device lets be read."""
        return bool(self._ranges) and not _within(addresses, self._ranges)

    def unnamed(self, addresses: range) -> int | None:
        """The first address of the stretch that may not be read because no point names it."""
        if self._gaps:
            return None
        return next((address for address in addresses if address not in self._named), None)

    def allows(self, addresses: range) -> bool:
        """True if one request may cover the stretch, as far as the map goes."""
        return (
            self.hole(addresses) is None
            and not self.outside(addresses)
            and self.unnamed(addresses) is None
        )


def _meet(one: range, other: range) -> bool:
    return max(one.start, other.start) < min(one.stop, other.stop)


def _within(addresses: range, ranges: Sequence[range]) -> bool:
    """True if the ranges together hold all the addresses; they may touch or overlap."""
    reached = addresses.start
    for one in sorted(ranges, key=lambda part: part.start):
        if one.start > reached:
            break
        reached = max(reached, one.stop)
    return reached >= addresses.stop
