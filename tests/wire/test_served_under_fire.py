"""The served plant under random bytes and random requests: it answers rightly afterwards.

Every run sends the same bytes: counts are bounded, chance is seeded.
"""

from __future__ import annotations

import os
import socket
import time
from collections.abc import Callable
from random import Random
from typing import Any

import pytest

import linectl_sim
from linectl.registers.frames import crc16
from linectl.registers.wire_time import character_ms
from linectl.site.hardware import RtuBus
from linectl.site.model import Site

pytestmark = pytest.mark.wire

CONNECTIONS = 150
BURSTS = 150
REQUESTS = 600
SERIAL_REQUESTS = 60
PATIENCE_S = 2.0
SILENCE_S = 0.05
"""Longer than the silence with which the served line ends a frame."""


class Net:
    """One connection to the network side."""

    def __init__(self, port: int) -> None:
        self.link = socket.create_connection(("127.0.0.1", port), timeout=PATIENCE_S)
        self._transaction = 0

    def ask(self, unit: int, pdu: bytes) -> bytes:
        """The answer's PDU; its header must fit."""
        self._transaction = (self._transaction + 1) & 0xFFFF
        begin = self._transaction.to_bytes(2, "big") + b"\0\0"
        self.link.sendall(begin + (len(pdu) + 1).to_bytes(2, "big") + bytes((unit,)) + pdu)
        header = self._take(7)
        assert header[:4] == begin
        assert header[6] == unit
        return self._take(int.from_bytes(header[4:6], "big") - 1)

    def _take(self, count: int) -> bytes:
        heard = b""
        while len(heard) < count:
            more = self.link.recv(count - len(heard))
            assert more, "closed"
            heard += more
        return heard


class Line:
    """The serial side."""

    def __init__(self, path: str) -> None:
        self.fd = os.open(path, os.O_RDWR | os.O_NOCTTY | os.O_NONBLOCK)

    def ask(self, unit: int, pdu: bytes) -> bytes:
        """The answer's PDU; its unit and CRC must fit."""
        frame = bytes((unit,)) + pdu
        self.drain()
        os.write(self.fd, frame + crc16(frame))
        heard = b""
        end_s = time.monotonic() + PATIENCE_S
        while len(heard) < 5 or crc16(heard[:-2]) != heard[-2:]:
            assert time.monotonic() < end_s, heard.hex(" ")
            heard += self.drain()
            time.sleep(0.001)
        assert heard[0] == unit
        return heard[1:-2]

    def drain(self) -> bytes:
        try:
            return os.read(self.fd, 4096)
        except BlockingIOError:
            return b""


def random_pdu(random: Random) -> bytes:
    """Now and then whole nonsense, mostly a known function with lengths that may be wrong."""
    if random.random() < 0.3:
        return random.randbytes(random.randint(1, 253))
    function = random.choice((1, 2, 3, 4, 5, 6, 15, 16, 22, 23, 43))
    head = bytes((function,)) + random.randint(0, 130).to_bytes(2, "big")
    if function in (15, 16) and random.random() < 0.7:
        quantity = random.randint(0, 20)
        count = 2 * quantity if function == 16 else (quantity + 7) // 8
        return head + quantity.to_bytes(2, "big") + bytes((count,)) + random.randbytes(count)
    if random.random() < 0.8:
        return head + random.choice((b"\xff\x00", b"\0\0", random.randbytes(2)))
    return head + random.randbytes(random.randint(0, 8))


@pytest.fixture
def served(small: Site, serve: Callable[..., Any]) -> Any:
    """The whole machine of config/small behind its devices."""
    return serve(small, linectl_sim.open(small, 1))


READ_STOP = bytes.fromhex("02 00 00 00 01")
"""The emergency stop of config/small: the first discrete input of io_sower, pressed when 0."""
STOP_NOT_PRESSED = bytes.fromhex("02 01 01")


def test_random_bytes_on_a_socket_end_their_own_connection_at_most(
    small: Site, served: Any
) -> None:
    random = Random(1)
    port, unit = served.port("io"), small.file.devices["io_sower"].unit
    bystander = Net(port)
    for _ in range(CONNECTIONS):
        noise = Net(port)
        noise.link.sendall(random.randbytes(random.randint(1, 300)))
        if random.random() < 0.5:
            noise.link.shutdown(socket.SHUT_WR)
        noise.link.close()
        assert bystander.ask(unit, READ_STOP) == STOP_NOT_PRESSED
    bystander.link.close()


def test_random_bytes_on_the_line_are_over_with_the_silence(small: Site, served: Any) -> None:
    random = Random(2)
    line, unit = Line(served.path("drives")), small.file.devices["meter"].unit
    bus = small.file.buses["drives"]
    assert isinstance(bus, RtuBus)
    on_their_way = 0
    for number in range(BURSTS):
        on_their_way += os.write(line.fd, random.randbytes(random.randint(1, 64)))
        if number % 50 == 49:
            time.sleep(on_their_way * character_ms(bus) / 1000 + SILENCE_S)
            on_their_way = 0
            assert (
                line.ask(unit, bytes.fromhex("04 00 00 00 02"))
                == bytes.fromhex("04 04") + b"\0" * 4
            )
    os.close(line.fd)


def test_every_random_request_gets_an_answer_of_its_own_kind(small: Site, served: Any) -> None:
    random = Random(3)
    net = Net(served.port("io"))
    units = [d.unit for d in small.file.devices.values() if d.bus == "io"]
    for _ in range(REQUESTS):
        pdu = random_pdu(random)
        answer = net.ask(random.choice(units), pdu)
        assert answer[0] in (pdu[0], pdu[0] | 0x80)
        assert len(answer) <= 253
    assert net.ask(units[0], READ_STOP) == STOP_NOT_PRESSED
    net.link.close()


def test_random_requests_on_the_line_as_well(small: Site, served: Any) -> None:
    random = Random(4)
    line = Line(served.path("drives"))
    units = [d.unit for d in small.file.devices.values() if d.bus == "drives"]
    for _ in range(SERIAL_REQUESTS):
        pdu = random_pdu(random)
        answer = line.ask(random.choice(units), pdu)
        assert answer[0] in (pdu[0], pdu[0] | 0x80)
    os.close(line.fd)
