"""A converter before a modelled line, asked over sockets with hand-written bytes."""

from __future__ import annotations

import select
import socket
import time
from collections.abc import Callable, Iterator
from typing import Any

import pytest

from linectl.site.hardware import SerialLine
from linectl_sim.converter_port import ConverterPort
from linectl_sim.line_devices import RegisterDevice
from linectl_sim.line_faults import LineFaults

pytestmark = pytest.mark.wire

# MODBUS Application Protocol V1.1b3 (2012), 6.3, with unit 11h and the CRCs of MODBUS over
# Serial Line V1.02 (2006), low byte first.
ASK = bytes.fromhex("11 03 00 6B 00 03 76 87")
ANSWER = bytes.fromhex("11 03 06 02 2B 00 00 00 64 C8 BA")


def drive(**more: Any) -> RegisterDevice:
    """Unit 11h with the three registers of the specification's example."""
    written = {("holding", 0x6B): 0x022B, ("holding", 0x6C): 0, ("holding", 0x6D): 0x0064}
    return RegisterDevice(0x11, {"holding": range(0x100)}, written=written, **more)


def heard(link: socket.socket, count: int = 512, wait_s: float = 0.12) -> bytes:
    """Up to `count` bytes, or what came by then."""
    got = b""
    end_s = time.monotonic() + wait_s
    while len(got) < count and select.select([link], [], [], max(0.0, end_s - time.monotonic()))[0]:
        more = link.recv(512)
        if not more:
            break
        got += more
    return got


@pytest.fixture
def converter() -> Iterator[Callable[..., tuple[ConverterPort, Callable[[], socket.socket]]]]:
    """A converter before a line with the drive, and how to connect to it."""
    begun: list[ConverterPort] = []
    links: list[socket.socket] = []

    def begin(**more: Any) -> tuple[ConverterPort, Callable[[], socket.socket]]:
        answer = more.pop("answer", None) or [drive()]
        faults = LineFaults(**more.pop("faults", {}))
        begun.append(ConverterPort(SerialLine(baud=115_200), answer, faults, **more))
        return begun[-1], connect

    def connect() -> socket.socket:
        links.append(socket.create_connection((begun[-1].host, begun[-1].port)))
        return links[-1]

    yield begin
    for link in links:
        link.close()
    for one in begun:
        one.close()


def test_it_passes_frames_on_as_they_are(converter: Any) -> None:
    _, connect = converter()
    link = connect()
    link.sendall(ASK)
    assert heard(link, len(ANSWER)) == ANSWER


def test_a_late_answer_reaches_the_next_connection(converter: Any) -> None:
    """What makes RTU over TCP dangerous: the answer outlives the connection that asked."""
    _, connect = converter(answer=[drive(late_ms=60.0)])
    first = connect()
    first.sendall(ASK)
    assert heard(first, wait_s=0.02) == b""
    first.close()
    assert heard(connect(), len(ANSWER), 0.5) == ANSWER


def test_a_better_one_forgets_it(converter: Any) -> None:
    port, connect = converter(answer=[drive(late_ms=60.0)], only_asker=True)
    first = connect()
    first.sendall(ASK)
    assert heard(first, wait_s=0.02) == b""
    first.close()
    assert heard(connect(), wait_s=0.15) == b""
    assert port.played["nobody there"] >= 1


def test_two_masters_get_their_turns(converter: Any) -> None:
    _, connect = converter(hold_ms=100.0, only_asker=True)
    first, second = connect(), connect()
    first.sendall(ASK)
    second.sendall(ASK)
    assert heard(first, len(ANSWER)) == ANSWER
    assert heard(second, len(ANSWER)) == ANSWER


def test_it_vanishes_and_returns_on_the_same_port(converter: Any) -> None:
    port, connect = converter()
    link = connect()
    link.sendall(ASK)
    assert heard(link, len(ANSWER)) == ANSWER
    port.vanish()
    assert heard(link) == b""
    with pytest.raises(ConnectionRefusedError):
        connect()
    port.come_back()
    again = connect()
    again.sendall(ASK)
    assert heard(again, len(ANSWER)) == ANSWER


def test_it_may_end_with_a_reset(converter: Any) -> None:
    port, connect = converter()
    link = connect()
    link.sendall(ASK)
    assert heard(link, len(ANSWER)) == ANSWER
    port.vanish(reset=True)
    with pytest.raises(ConnectionResetError):
        heard(link)
    assert port.played == {"vanished": 1}


def test_the_lines_faults_reach_through_it(converter: Any) -> None:
    port, connect = converter(faults={"echo": 1.0})
    link = connect()
    link.sendall(ASK)
    assert heard(link, len(ASK + ANSWER)) == ASK + ANSWER
    assert port.played == {"echo": 1}
