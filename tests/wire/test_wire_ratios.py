"""How much longer we take than the wire itself, and than the bare library: ratios in one run."""

from __future__ import annotations

import multiprocessing
import os
import socket
import statistics
import struct
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from pymodbus.client import ModbusTcpClient

from linectl.field.asks import Ask
from linectl.field.modbus import Wire
from linectl.field.outputs import DeviceOutputs
from linectl.registers.frames import READ_FUNCTIONS
from linectl.registers.plan import read_ms, read_plan, write_plan
from linectl.registers.write_blocks import write_block_ms
from linectl.site.hardware import RtuBus, TcpBus
from linectl.site.load import load_site
from linectl_sim.line_devices import RegisterDevice
from linectl_sim.paced_line import PacedLine

pytestmark = pytest.mark.wire

FENNMARK = Path(__file__).parents[2] / "config" / "fennmark"
CYCLES = 20


@pytest.mark.parametrize("baud", [19_200, 115_200])
def test_a_cycle_of_the_serial_line_takes_little_more_than_its_wire(baud: int) -> None:
    """Every read of a poll, and every output written once, as in the cycle that `check` prints."""
    site = load_site(FENNMARK)
    name, bus = next((n, b) for n, b in site.file.buses.items() if isinstance(b, RtuBus))
    bus = bus.model_copy(update={"baud": baud, "timeout_ms": 400})
    requests = read_plan(site, name)
    facts = site.file.devices
    limit_ms = sum(read_ms(request, facts[request.device], bus) for request in requests)
    limit_ms += sum(write_block_ms(b, facts[b.device], bus) for b in write_plan(site, name))
    models = [
        RegisterDevice(
            device.unit,
            dict.fromkeys(READ_FUNCTIONS, range(1000)),
            turnaround_ms=float(device.turnaround_ms),
        )
        for device in facts.values()
        if device.bus == name
    ]
    reads = [Ask(r.device, r.unit, r.function, r.address, r.quantity) for r in requests]
    writes = [
        ask
        for device, fact in facts.items()
        if fact.bus == name
        for ask in DeviceOutputs(device, fact, site.points).refresh()
    ]
    line = PacedLine(bus, models)
    wire = Wire(name, bus, "", line.path)
    try:
        wire.open()
        cycles = []
        for _ in range(CYCLES):
            start_s = time.perf_counter()
            for ask in reads:
                wire.read(ask)
            for ask in writes:
                wire.write(ask)
            cycles.append((time.perf_counter() - start_s) * 1000)
    finally:
        wire.close()
        line.close()
    took_ms = statistics.median(cycles)
    ratio = took_ms / limit_ms
    counts = f"{len(reads)} reads and {len(writes)} writes"
    print(f"{baud} baud: {counts}, {took_ms:.1f} ms, {ratio:.3f} × wire")
    assert line.breaches.total() == 0
    assert 0.98 <= ratio <= 1.10


def _answer(link: socket.socket) -> None:
    link.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
    while request := link.recv(512):
        count = struct.unpack(">H", request[10:12])[0]
        head = request[:4] + struct.pack(">HBBB", 3 + 2 * count, request[6], 3, 2 * count)
        link.sendall(head + bytes(2 * count))


@pytest.fixture
def one_core() -> Iterator[None]:
    """Everything on one core: else the answer takes three times as long whenever a sleeping core
    must be woken for it, and which of the two wires that befalls is chance."""
    cores = os.sched_getaffinity(0)
    os.sched_setaffinity(0, {min(cores)})
    yield
    os.sched_setaffinity(0, cores)


@pytest.fixture
def port(one_core: None) -> Iterator[int]:
    """A server of zeros in processes of its own."""
    fork = multiprocessing.get_context("fork")
    with socket.create_server(("127.0.0.1", 0)) as listener:
        servers = [fork.Process(target=_serve_one, args=(listener,), daemon=True) for _ in "12"]
        for server in servers:
            server.start()
        yield int(listener.getsockname()[1])
    for server in servers:
        server.join(5)


def _serve_one(listener: socket.socket) -> None:
    link, _ = listener.accept()
    listener.close()
    _answer(link)


def _ratio(one: Callable[[], object], other: Callable[[], object]) -> float:
    """Time of `one` in times of `other`: asked in turn, the quicker half of each, so that what
    else the machine does falls on both."""
    times: dict[Callable[[], object], list[float]] = {one: [], other: []}
    for _ in range(1500):
        for ask, taken in times.items():
            start_s = time.perf_counter()
            ask()
            taken.append(time.perf_counter() - start_s)
    quick = [statistics.median(sorted(taken)[: len(taken) // 2]) for taken in times.values()]
    return quick[0] / quick[1]


def test_reads_over_tcp_take_little_more_than_the_bare_library(port: int) -> None:
    facts = {"kind": "tcp", "host": "127.0.0.1", "poll": "20ms", "timeout": "500ms"}
    wire = Wire("net", TcpBus.model_validate(facts), "127.0.0.1", port)
    bare = ModbusTcpClient("127.0.0.1", port=port, timeout=0.5, retries=0)
    ask = Ask("device", 1, 3, 0, 50)
    wire.open()
    assert bare.connect()
    ratio = _ratio(
        lambda: wire.read(ask), lambda: bare.read_holding_registers(0, count=50, device_id=1)
    )
    wire.close()
    bare.close()
    print(f"TCP: {ratio:.3f} × the bare library")
    assert ratio <= 1.15


def test_keeping_no_trace_costs_nothing(port: int) -> None:
    """Without a tracer the wire only asks whether there is one."""
    facts = {"kind": "tcp", "host": "127.0.0.1", "poll": "20ms", "timeout": "500ms"}
    bus = TcpBus.model_validate(facts)

    class Takes:
        def frame(self, bus: str, at_s: float, sent: bool, data: bytes) -> None:
            pass

    off = Wire("net", bus, "127.0.0.1", port)
    on = Wire("net", bus, "127.0.0.1", port, tracer=Takes())
    ask = Ask("device", 1, 3, 0, 50)
    off.open()
    on.open()
    ratio = _ratio(lambda: off.read(ask), lambda: on.read(ask))
    off.close()
    on.close()
    print(f"trace off: {ratio:.3f} × on")
    assert ratio <= 1.05
