"""Serial lines of the served plant: gateways, converters, late devices. Bytes written by hand."""

from __future__ import annotations

import os
import select
import socket
import statistics
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest

import linectl_sim
from linectl.registers.frames import crc16
from linectl.registers.wire_time import character_ms, silence_ms
from linectl.site.hardware import Device, Point, RtuBus, SerialLine, TcpBus
from linectl.site.model import Site, SiteFile
from linectl_sim.gateway_port import GatewayPort
from linectl_sim.line_devices import RegisterDevice
from linectl_sim.line_faults import LineFaults
from linectl_sim.paced_line import PacedLine
from linectl_sim.serve_device import ServedDevice

pytestmark = pytest.mark.wire

LINE = SerialLine(baud=19_200)


def tcp(transaction: int, unit: int, pdu: str) -> bytes:
    """A Modbus TCP frame."""
    body = bytes((unit,)) + bytes.fromhex(pdu)
    return transaction.to_bytes(2, "big") + b"\0\0" + len(body).to_bytes(2, "big") + body


def heard(link: socket.socket, count: int, wait_s: float = 1.0) -> bytes:
    """Up to `count` bytes, or what came by then."""
    got = b""
    end_s = time.monotonic() + wait_s
    while len(got) < count and select.select([link], [], [], max(0.0, end_s - time.monotonic()))[0]:
        got += link.recv(512)
    return got


@pytest.fixture
def gateway() -> Iterator[Callable[..., tuple[GatewayPort, Callable[[], socket.socket]]]]:
    """A gateway before units 1 and 2, and how to connect to it."""
    begun: list[GatewayPort] = []
    links: list[socket.socket] = []

    def connect() -> socket.socket:
        links.append(socket.create_connection((begun[-1].host, begun[-1].port)))
        return links[-1]

    def begin(**more: Any) -> tuple[GatewayPort, Callable[[], socket.socket]]:
        devices = more.pop("devices", [RegisterDevice(1), RegisterDevice(2)])
        begun.append(GatewayPort(LINE, devices, **more))
        return begun[-1], connect

    yield begin
    for link in links:
        link.close()
    for port in begun:
        port.close()


READ = "03 00 00 00 01"


def test_a_gateway_takes_the_serial_time_and_keeps_numbers_apart(gateway: Any) -> None:
    """Two units behind one address, asked at once by two masters: one after the other."""
    one, two = RegisterDevice(1), RegisterDevice(2)
    _, connect = gateway(devices=[one, two])
    first, second = connect(), connect()
    start_s = time.monotonic()
    first.sendall(tcp(5, 1, READ))
    second.sendall(tcp(6, 2, READ))
    assert heard(first, 11) == tcp(5, 1, f"03 02 {one.value('holding', 0):04X}")
    assert heard(second, 11) == tcp(6, 2, f"03 02 {two.value('holding', 0):04X}")
    # each: request of 8 characters, silence, answer of 7, and the silence between the two
    least_ms = 2 * (15 * character_ms(LINE) + silence_ms(LINE)) + silence_ms(LINE)
    assert least_ms <= (time.monotonic() - start_s) * 1000 <= 1.3 * least_ms


# V1.1b3, 7: 0A gateway path unavailable, 0B gateway target device failed to respond.
def test_a_gateway_answers_for_a_silent_unit(gateway: Any) -> None:
    port, connect = gateway(timeout_ms=50.0)
    link = connect()
    start_s = time.monotonic()
    link.sendall(tcp(5, 9, READ))
    assert heard(link, 9) == tcp(5, 9, "83 0B")
    assert time.monotonic() - start_s >= 0.05
    assert port.played == {"gateway 0B": 1}


def test_a_gateway_knows_where_no_path_leads(gateway: Any) -> None:
    port, connect = gateway(paths={1, 2})
    link = connect()
    link.sendall(tcp(5, 9, READ) + tcp(6, 1, READ))
    assert heard(link, 9)[:9] == tcp(5, 9, "83 0A")
    assert heard(link, 11)[:2] == b"\0\6"
    assert port.played == {"gateway 0A": 1}


def test_another_gateway_stays_silent_itself(gateway: Any) -> None:
    port, connect = gateway(timeout_ms=20.0, answers_silence=False)
    link = connect()
    link.sendall(tcp(5, 9, READ) + tcp(6, 1, READ))
    assert heard(link, 11)[:2] == b"\0\6"
    assert port.played == {}


def test_a_gateway_drops_what_comes_late_or_damaged(gateway: Any) -> None:
    late = RegisterDevice(1, late_ms=60.0)
    _, connect = gateway(devices=[late, RegisterDevice(2)], timeout_ms=50.0, pace=False)
    link = connect()
    link.sendall(tcp(5, 1, READ) + tcp(6, 2, READ))
    both = heard(link, 20)
    assert both[:9] == tcp(5, 1, "83 0B")
    assert both[9:17] == tcp(6, 2, "03 02 00 00")[:8]
    damaged, connect = gateway(faults=LineFaults(noise=1.0), timeout_ms=30.0)
    link = connect()
    link.sendall(tcp(7, 1, READ))
    assert heard(link, 9) == tcp(7, 1, "83 0B")
    assert damaged.played["noise"] >= 8


# the plant's own


def served_site() -> Site:
    """A unit behind a gateway, one behind a converter, one on a line."""
    polled = {"poll": "20ms", "timeout": "100ms"}
    host = {"kind": "tcp", "host": "127.0.0.1", **polled}
    buses = {
        "gate": TcpBus.model_validate(host | {"line": {"baud": 19_200}}),
        "raw": TcpBus.model_validate(host | {"framing": "rtu", "line": {"baud": 115_200}}),
        "wire": RtuBus.model_validate({"kind": "rtu", "port": "/dev/null", "baud": 9600} | polled),
    }
    facts = {"unit": 1, "silent_after": "500ms", "turnaround": "1ms"}
    point = {"line": 2, "type": "u16", "direction": "out", "table": "holding", "address": 0}
    rows = [{"index": i, "tag": f"{name}.value", "device": name} for i, name in enumerate(buses)]
    return Site.model_construct(
        file=SiteFile.model_construct(
            name="lines",
            buses=buses,
            devices={name: Device.model_validate(facts | {"bus": name}) for name in buses},
        ),
        points=tuple(Point.model_validate(point | row) for row in rows),
    )


def framed(frame: str) -> bytes:
    body = bytes.fromhex(frame)
    return body + crc16(body)


def test_a_gateway_bus_is_served_as_a_gateway(serve: Callable[..., Any]) -> None:
    served = serve(served_site())
    with socket.create_connection(("127.0.0.1", served.port("gate"))) as link:
        link.sendall(tcp(1, 1, "06 00 00 12 34") + tcp(2, 1, READ) + tcp(3, 7, READ))
        assert heard(link, 12 + 11 + 9) == (
            tcp(1, 1, "06 00 00 12 34") + tcp(2, 1, "03 02 12 34") + tcp(3, 7, "83 0B")
        )
    assert served.plant.values[0] == 0x1234


def test_a_converter_bus_is_served_unframed(serve: Callable[..., Any]) -> None:
    served = serve(served_site())
    with socket.create_connection(("127.0.0.1", served.port("raw"))) as link:
        link.sendall(framed("01 06 00 00 12 34"))
        assert heard(link, 8) == framed("01 06 00 00 12 34")
        time.sleep(0.003)
        link.sendall(framed("01 03 00 00 00 01"))
        assert heard(link, 7) == framed("01 03 02 12 34")


def test_a_served_line_takes_its_time_and_its_faults(serve: Callable[..., Any]) -> None:
    served = serve(served_site(), faults={"wire": LineFaults(echo=1.0)})
    fd = os.open(served.path("wire"), os.O_RDWR | os.O_NOCTTY | os.O_NONBLOCK)
    try:
        start_s = time.monotonic()
        os.write(fd, framed("01 03 00 00 00 01"))
        got = b""
        while len(got) < 15:
            assert select.select([fd], [], [], 1.0)[0]
            got += os.read(fd, 64)
        line = SerialLine(baud=9600)
        least_ms = 15 * character_ms(line) + silence_ms(line) + 1
        assert time.monotonic() - start_s >= least_ms / 1000
        assert got == framed("01 03 00 00 00 01") + framed("01 03 02 00 00")
    finally:
        os.close(fd)


def test_a_served_device_sits_on_a_line_as_it_is(small: Site) -> None:
    """Without a server: the plant's device on a line of one's own."""
    site = served_site()
    plant = linectl_sim.open(small, 1)
    device = ServedDevice("wire", site.file.devices["wire"], site.points, plant)
    line = PacedLine(LINE, [device], pace=False)
    fd = os.open(line.path, os.O_RDWR | os.O_NOCTTY | os.O_NONBLOCK)
    try:
        os.write(fd, framed("01 2B 0E 04 00"))
        assert select.select([fd], [], [], 1.0)[0]
        assert b"linectl model" in os.read(fd, 64)
    finally:
        os.close(fd)
        line.close()


def test_the_fault_late_is_late_on_the_wire_and_not_silent(
    serve: Callable[..., Any], small: Site
) -> None:
    """Whenever the device lags its answer comes after the bus's time-out, and within the
    lateness that the site declares."""
    name, device = next(
        (n, d) for n, d in small.file.devices.items() if small.file.buses[d.bus].kind == "rtu"
    )
    bus = small.file.buses[device.bus]
    plant = linectl_sim.open(small, 1)
    served = serve(small, plant)
    timeout_s = bus.timeout_ms / 1000
    fd = os.open(served.path(device.bus), os.O_RDWR | os.O_NOCTTY | os.O_NONBLOCK)
    ask = bytes((device.unit,)) + bytes.fromhex("2B 0E 04 02")
    ask += crc16(ask)
    try:
        plant.do("fault", name, kind="late")
        took_s = []
        for _ in range(60):
            start_s = time.monotonic()
            os.write(fd, ask)
            assert select.select([fd], [], [], 1.0)[0], "silent"
            took_s.append(time.monotonic() - start_s)
            time.sleep(0.01)
            os.read(fd, 64)
    finally:
        os.close(fd)
    late_s = [took for took in took_s if took > timeout_s]
    assert 0 < len(late_s) < len(took_s)
    declared_s = (device.late_ms or bus.timeout_ms) / 1000
    # A busy machine adds to single ones; what is judged is the middle of them.
    assert statistics.median(late_s) <= timeout_s + declared_s


def test_a_served_adapter_is_pulled_and_returns_under_another_name(
    serve: Callable[..., Any], tmp_path: Path, eventually: Callable[..., float]
) -> None:
    served = serve(served_site(), file=tmp_path / "plant.json")
    link = tmp_path / "plant.wire"
    before = os.readlink(link)
    served.server.pull("wire")
    assert not link.exists()
    served.server.plug("wire")
    assert os.readlink(link) != before
    fd = os.open(link, os.O_RDWR | os.O_NOCTTY | os.O_NONBLOCK)
    try:
        os.write(fd, framed("01 03 00 00 00 01"))
        eventually(lambda: bool(select.select([fd], [], [], 0)[0]))
        time.sleep(0.01)
        assert os.read(fd, 64) == framed("01 03 02 00 00")
    finally:
        os.close(fd)


def test_pulled_and_plugged_again_and_again_nothing_is_left_open(serve: Callable[..., Any]) -> None:
    served = serve(served_site())
    open_files = len(os.listdir("/proc/self/fd"))
    for _ in range(30):
        for bus in served.server.ports:
            served.server.pull(bus)
        for bus in served.server.ports:
            served.server.plug(bus)
    assert len(os.listdir("/proc/self/fd")) <= open_files
