"""The read plan against every way to share the units out among requests, on 500 random maps.

The brute force knows nothing of stretches, nesting or labels: it takes every subset of the units as
a request, with the addresses between its ends, refuses what the map forbids, and looks for the
cheapest partition of the units into such subsets. It prices a request by the wire's arithmetic.
"""

from __future__ import annotations

import random
from collections.abc import Callable
from functools import cache
from typing import Any

import pytest

from linectl.registers.frames import READ_FUNCTIONS, read_pdu_bytes
from linectl.registers.plan import read_ms, read_plan
from linectl.registers.requests import ReadRequest
from linectl.registers.wire_time import HOST_MS, exchange_ms
from linectl.site.hardware import Point
from linectl.site.model import Site

SiteOf = Callable[..., Site]
MAPS = 500
POLL_MS = 20
CLASSES = {"slow": 100, "slower": 590, "slowest": 2000}
BUSES: tuple[dict[str, Any], ...] = (
    {"kind": "tcp", "host": "127.0.0.1"},
    {"kind": "rtu", "port": "/dev/ttyUSB0", "baud": 9_600},
    {"kind": "rtu", "port": "/dev/ttyUSB0", "baud": 115_200},
    {"kind": "tcp", "host": "127.0.0.1", "line": {"baud": 19_200}},
    {"kind": "tcp", "host": "127.0.0.1", "line": {"baud": 57_600}, "framing": "rtu"},
)


class Map:
    """A random table of a device: rows of the IO list and what may be read."""

    def __init__(self, seed: int) -> None:
        rng = self.rng = random.Random(seed)
        self.table = rng.choice(["coil", "discrete", "holding", "input"])
        self.bits = self.table in ("coil", "discrete")
        self.rows: list[dict[str, Any]] = []
        self.units: list[tuple[range, str]] = []
        self.classes = rng.sample(["", *CLASSES], rng.randint(1, 4))
        self.far = rng.choice([0, 1, 3, 20 if self.bits else 6])
        self._fill(rng.randint(1, 8))
        self._limits()

    def _fill(self, units: int) -> None:
        rng = self.rng
        address = rng.randint(0, 30)
        layers = rng.random() < 0.3  # long slow groups with single fast points between them
        for number in range(units):
            name = rng.choice(self.classes)
            length = rng.choice([1, 1, 1, 2, 3])
            if layers:
                name = ("slower", "")[number % 2]
                self.classes += [name] * (name not in self.classes)
                length = (12, 1)[number % 2]
            if length == 1:
                address += self._single(address, name)
            else:
                group = f"g{number}"
                start = address
                for _ in range(length):
                    address += self._point(address, name, group)
                self.units.append((range(start, address), name))
            if rng.random() < 0.6:
                address += rng.randint(0, self.far)
            elif self.table in ("coil", "holding") and rng.random() < 0.3:
                self._row(address, direction="out")
                address += 1

    def _single(self, address: int, name: str) -> int:
        """A point by itself, or some bits of one register, each a unit of its own."""
        if not self.bits and self.rng.random() < 0.2:
            for bit in self.rng.sample(range(16), 2):
                name = self.rng.choice(self.classes)
                self._row(address, type="bool", bit=bit, poll=name)
                self.units.append((range(address, address + 1), name))
            return 1
        taken = self._point(address, name, "")
        self.units.append((range(address, address + taken), name))
        return taken

    def _point(self, address: int, name: str, group: str) -> int:
        long = not self.bits and self.rng.random() < 0.3
        type_ = "bool" if self.bits else "u32" if long else "u16"
        self._row(address, type=type_, poll=name, group=group)
        return 2 if long else 1

    def _row(self, address: int, **facts: Any) -> None:
        type_ = "bool" if self.bits else "u16"
        row = {"device": "io", "table": self.table, "address": address, "type": type_}
        self.rows.append({"direction": "in", "word_order": "big"} | row | facts)

    def _limits(self) -> None:
        rng = self.rng
        self.longest = max(len(addresses) for addresses, _ in self.units)
        ends = max(addresses.stop for addresses, _ in self.units)
        used = {address for addresses, _ in self.units for address in addresses}
        free = [address for address in range(ends) if address not in used]
        self.holes = rng.sample(free, min(len(free), rng.choice([0, 0, 1, 2])))
        cut = rng.choice([None, *(one.stop for one, _ in self.units)])
        self.readable = None if cut is None else [(0, cut - 1), (cut + 1, 65_535)]
        if self.readable and cut in used:
            self.readable = None
        self.device = {
            "unit": 1,
            "gaps": rng.random() < 0.6,
            "read_back": rng.random() < 0.5,
            "turnaround": f"{rng.choice([0, 2, 5, 20])}ms",
            "pause": f"{rng.choice([0, 0, 3])}ms",
            "holes": {self.table: [f"{address}" for address in self.holes]},
        }
        limit = rng.choice([self.longest, self.longest + 3, 2 * self.longest + 4, 125])
        self.limit = limit
        self.device["max_read_bits" if self.bits else "max_read_registers"] = limit
        if self.readable:
            self.device["readable"] = {self.table: [f"{a}-{b}" for a, b in self.readable]}

    def allows(self, points: tuple[Point, ...], hull: range) -> bool:
        named = {
            address
            for point in points
            if point.direction == "in" or self.device["read_back"]
            for address in range(point.address, point.address + point.words)
        }
        inside = not self.readable or any(
            first <= hull.start and hull.stop - 1 <= last for first, last in self.readable
        )
        return (
            len(hull) <= self.limit
            and inside
            and not any(hole in hull for hole in self.holes)
            and (self.device["gaps"] or named.issuperset(hull))
        )


def every(name: str) -> int:
    return 1 if not name else -(-CLASSES[name] // POLL_MS)


def brute_force_ms(site: Site, drawn: Map) -> float:
    """The least mean bus and own time of a poll over all partitions of the units."""
    device, bus = site.file.devices["io"], site.file.buses["b"]
    count = len(drawn.units)

    @cache
    def request_ms(subset: int) -> float | None:
        members = [unit for number, unit in enumerate(drawn.units) if subset >> number & 1]
        hull = range(min(a.start for a, _ in members), max(a.stop for a, _ in members))
        if not drawn.allows(site.points, hull):
            return None
        pdu_bytes = read_pdu_bytes(READ_FUNCTIONS[drawn.table], len(hull))
        ms = exchange_ms(bus, device.turnaround_ms, pdu_bytes, device.pause_ms) + HOST_MS
        fastest = min(every(name) for _, name in members)
        return min(ms / every(name) for name in drawn.classes if every(name) <= fastest)

    @cache
    def least(left: int) -> float:
        if not left:
            return 0.0
        first = left & -left
        rest = left ^ first
        best, more = float("inf"), rest
        while True:  # every subset of the rest, together with the first
            ms = request_ms(first | more)
            if ms is not None:
                best = min(best, ms + least(rest ^ more))
            if not more:
                return best
            more = (more - 1) & rest

    return least((1 << count) - 1)


def planned_ms(site: Site, requests: tuple[ReadRequest, ...]) -> float:
    device, bus = site.file.devices["io"], site.file.buses["b"]
    return sum((read_ms(request, device, bus) + HOST_MS) * request.rate for request in requests)


def drawn_site(site_of: SiteOf, drawn: Map) -> Site:
    polls = {name: f"{ms}ms" for name, ms in CLASSES.items()}
    bus = drawn.rng.choice(BUSES) | {"poll": f"{POLL_MS}ms", "timeout": "100ms", "polls": polls}
    return site_of({"io": drawn.device}, drawn.rows, bus)


def nested(requests: tuple[ReadRequest, ...]) -> bool:
    """True if a fast request lies within the addresses of a slower one."""
    return any(
        outer.every > inner.every
        and outer.address <= inner.address
        and inner.address + inner.quantity <= outer.address + outer.quantity
        for outer in requests
        for inner in requests
    )


def test_no_other_sharing_of_the_units_takes_less_time(site_of: SiteOf) -> None:
    plans = []
    for seed in range(MAPS):
        drawn = Map(seed)
        site = drawn_site(site_of, drawn)
        requests = read_plan(site, "b")
        least_ms = brute_force_ms(site, drawn)
        assert planned_ms(site, requests) == pytest.approx(least_ms, abs=1e-6), f"map {seed}"
        for request in requests:
            hull = range(request.address, request.address + request.quantity)
            assert drawn.allows(site.points, hull), f"map {seed}"
        plans.append(requests)
    # The maps ask for all that makes a plan hard.
    assert sum(len(requests) > 2 for requests in plans) > MAPS / 5
    assert sum(len({request.every for request in requests}) > 1 for requests in plans) > MAPS / 5
    assert sum(nested(requests) for requests in plans) > 10
