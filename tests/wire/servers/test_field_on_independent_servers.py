"""A whole field on servers of other hands: a network of pyModbusTCP, a serial line of libmodbus."""

from __future__ import annotations

import struct
from collections.abc import Callable, Iterator
from typing import Any

import pytest

from linectl.field.outputs import safe_value
from linectl.field.snapshots import Outputs
from linectl.field.wiring import Field
from linectl.image import Value
from linectl.site.hardware import Device, Point
from linectl.site.interlocks import InterlockFile
from linectl.site.model import Site, SiteFile

pytestmark = pytest.mark.wire

# Two devices of one map; 17 is the unit number of the servers in conftest.py.
DEVICES = {"panel": "net", "drive": "line"}
ROWS: dict[str, dict[str, Any]] = {
    "eye": {"direction": "in", "table": "discrete", "address": 3, "type": "bool"},
    "ready": {"direction": "in", "table": "coil", "address": 30, "type": "bool"},
    "tripped": {"direction": "in", "table": "input", "address": 0, "type": "bool", "bit": 9},
    "level": {"direction": "in", "table": "input", "address": 1, "type": "i16", "scale": 0.5},
    "pulses": {
        "direction": "in",
        "table": "input",
        "address": 2,
        "type": "u32",
        "word_order": "little",
    },
    "flow": {
        "direction": "in",
        "table": "holding",
        "address": 8,
        "type": "f32",
        "word_order": "big",
    },
    "run": {"direction": "out", "table": "coil", "address": 5, "type": "bool"},
    "horn": {"direction": "out", "table": "coil", "address": 7, "type": "bool", "safe": 1},
    "speed": {"direction": "out", "table": "holding", "address": 20, "type": "u16", "scale": 0.5},
    "way": {
        "direction": "out",
        "table": "holding",
        "address": 21,
        "type": "i32",
        "word_order": "little",
    },
}
RTU_TIMEOUT_S = 0.15
"""The time-out of the servers' buses in conftest.py."""
Eventually = Callable[..., float]


def field_site(servers: dict[str, Any], rows: dict[str, dict[str, Any]]) -> Site:
    """A device with these rows on each server's bus."""
    devices = {device: bus for device, bus in DEVICES.items() if bus in servers}
    places = [(device, tag) for device in devices for tag in rows]
    points = [
        Point.model_validate(
            {"index": n, "line": n + 2, "tag": f"{device}.{tag}", "device": device} | rows[tag]
        )
        for n, (device, tag) in enumerate(places)
    ]
    facts = {"unit": 17, "turnaround": "1ms", "silent_after": "500ms", "refresh": "300ms"}
    return Site.model_construct(
        file=SiteFile.model_construct(
            name="peers",
            buses={name: server.bus for name, server in servers.items()},
            devices={
                name: Device.model_validate(facts | {"bus": bus}) for name, bus in devices.items()
            },
        ),
        points=tuple(points),
        interlocks=InterlockFile.model_construct(causes={}),
        folder="",
    )


class Line:
    """Stands for the scan: hands the same outputs on whenever somebody looks."""

    def __init__(self, site: Site, field: Field, clock: Callable[[], int]) -> None:
        self.field = field
        self._site, self._clock = site, clock
        self._sequence = self._good_scans = 0
        self._index = {point.tag: point.index for point in site.points}
        self._outputs: list[Value] = [
            safe_value(p) if p.direction == "out" else False for p in site.points
        ]

    def put(self, **outputs: Value) -> None:
        """Outputs of both devices from now on."""
        for name, value in outputs.items():
            for device in DEVICES:
                self._outputs[self._index[f"{device}.{name}"]] = value

    def scan(self) -> None:
        self._sequence += 1
        self.field.publish(Outputs(self._sequence, self._clock(), tuple(self._outputs)), True)

    def good(self) -> bool:
        """True when both devices have been good for some scans: the safe outputs of those scans
        have reached their buses, which hold an output safe until safe was demanded once."""
        self.scan()
        good = all(snapshot.good for snapshot in self.field.snapshots())
        self._good_scans = self._good_scans + 1 if good else 0
        return self._good_scans >= 20

    def inputs(self, device: str) -> dict[str, Value]:
        self.scan()
        snapshot = next(s for s in self.field.snapshots() if s.device == device)
        tags = [self._site.points[index].tag for index in snapshot.points]
        names = (tag.partition(".")[2] for tag in tags)
        return dict(zip(names, snapshot.values, strict=False))


@pytest.fixture
def servers(py_modbus_tcp: Any, libmodbus_rtu: Any) -> dict[str, Any]:
    return {"net": py_modbus_tcp, "line": libmodbus_rtu}


@pytest.fixture
def line_on(clock: Callable[[], int]) -> Iterator[Callable[..., Line]]:
    """A field on these servers, with these rows on each; stopped after the test."""
    begun: list[Field] = []

    def begin(servers: dict[str, Any], rows: dict[str, dict[str, Any]]) -> Line:
        site = field_site(servers, rows)
        reach = {name: server.where() for name, server in servers.items()}
        begun.append(Field(site, clock, reach))
        begun[-1].start()
        return Line(site, begun[-1], clock)

    yield begin
    for field in begun:
        assert field.stop() == []


@pytest.fixture
def line(servers: dict[str, Any], line_on: Callable[..., Line]) -> Line:
    return line_on(servers, ROWS)


def show(server: Any) -> None:
    """What a server's registers hold, in words written here and not by our codec."""
    server.put("discrete", 3, [1])
    server.put("coil", 30, [1])
    server.put("input", 0, [0x0200, 0xFFFD])
    server.put("input", 2, [0x5678, 0x1234])
    server.put("holding", 8, list(struct.unpack(">HH", struct.pack(">f", -118.625))))


SHOWN = {
    "eye": True,
    "ready": True,
    "tripped": True,
    "level": -1.5,
    "pulses": 0x12345678,
    "flow": -118.625,
}


def test_values_of_both_servers_reach_the_image(
    servers: dict[str, Any], line: Line, eventually: Eventually
) -> None:
    eventually(line.good)
    for server in servers.values():
        show(server)
    for device in DEVICES:
        eventually(lambda device=device: line.inputs(device) == SHOWN, 2)
    for health in line.field.health():
        assert health.errors == {}


def written(server: Any) -> tuple[list[int], list[int]]:
    return server.get("coil", 4, 5), server.get("holding", 19, 5)


def test_outputs_arrive_in_both_servers_and_nowhere_else(
    servers: dict[str, Any], line: Line, eventually: Eventually
) -> None:
    eventually(line.good)
    line.put(run=True, horn=False, speed=250.5, way=-2)

    def arrived() -> bool:
        line.scan()
        expected = ([0, 1, 0, 0, 0], [0, 501, 0xFFFE, 0xFFFF, 0])
        return all(written(server) == expected for server in servers.values())

    eventually(arrived, 2)


def test_the_end_leaves_both_servers_safe(
    servers: dict[str, Any], line: Line, eventually: Eventually
) -> None:
    eventually(line.good)
    line.put(run=True, horn=False, speed=250.5, way=-2)
    eventually(lambda: line.scan() or all(s.get("coil", 5, 1) == [1] for s in servers.values()), 2)
    assert line.field.stop() == []
    for server in servers.values():
        assert written(server) == ([0, 0, 0, 1, 0], [0, 0, 0, 0, 0])


@pytest.mark.parametrize(
    ("gone", "device", "other"), [("net", "panel", "drive"), ("line", "drive", "panel")]
)
def test_a_server_that_vanishes_is_bad_and_found_again(
    servers: dict[str, Any],
    line: Line,
    eventually: Eventually,
    gone: str,
    device: str,
    other: str,
) -> None:
    def state(name: str) -> bool:
        line.scan()
        return next(s for s in line.field.snapshots() if s.device == name).good

    eventually(line.good)
    line.put(run=True)
    eventually(lambda: line.scan() or servers[gone].get("coil", 5, 1) == [1], 2)
    servers[gone].vanish()
    eventually(lambda: not state(device), 3)
    assert state(other)
    servers[gone].come_back()
    assert eventually(lambda: state(device), 6) <= 5.5
    assert state(other)
    # What still stands as a demand does not start by itself.
    eventually(lambda: line.scan() or servers[gone].get("coil", 5, 1) == [0], 2)


def test_late_answers_of_libmodbus_are_never_taken_for_the_next(
    libmodbus_rtu: Any, line_on: Callable[..., Line], eventually: Eventually
) -> None:
    """A slow device, each eleventh answer after its time-out. Every read has the form of every
    other, so that any answer would fit any of them: what is asked next gets what was asked before
    for as long as nobody notices."""
    row = {"direction": "in", "table": "holding", "type": "u16"}
    rows = {f"r{address}": row | {"address": address} for address in range(0, 10, 2)}
    values = {f"r{address}": 1000 + address for address in range(0, 10, 2)}
    libmodbus_rtu.put("holding", 0, [1000 + address for address in range(10)])
    libmodbus_rtu.slow_s = 0.02
    line = line_on({"line": libmodbus_rtu}, rows)
    eventually(lambda: line.inputs("drive") == values)
    libmodbus_rtu.late_s = RTU_TIMEOUT_S + 0.05
    wrong: list[dict[str, Value]] = []

    def late() -> bool:
        seen = line.inputs("drive")
        if seen != values:
            wrong.append(seen)
        (health,) = line.field.health()
        return health.errors.get("silent", 0) >= 5

    eventually(late, 10)
    assert wrong == []
    libmodbus_rtu.late_s = 0.0
    eventually(line.good, 6)
