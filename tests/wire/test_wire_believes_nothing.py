"""The wire believes nothing but the answer: hand-written bytes on sockets and pseudo-terminals.

What goes out is held against the specifications' bytes, what comes back against the question.
"""

from __future__ import annotations

import os
import socket
import threading
import time
import tty
from collections.abc import Callable, Iterator
from typing import Any

import pytest

from linectl.errors import DeviceRefused, ForeignAnswer, LinkDown, Silent
from linectl.field.modbus import Ask, Wire
from linectl.registers.frames import crc16
from linectl.site.hardware import RtuBus, TcpBus

pytestmark = pytest.mark.wire

TIMEOUT_MS = 60
TCP = TcpBus.model_validate(
    {"kind": "tcp", "host": "127.0.0.1", "poll": "20ms", "timeout": f"{TIMEOUT_MS}ms"}
)
RTU = RtuBus.model_validate(
    {
        "kind": "rtu",
        "port": "/dev/null",
        "baud": 115_200,
        "poll": "20ms",
        "timeout": f"{TIMEOUT_MS}ms",
    }
)

Answers = Callable[[bytes], list[tuple[float, bytes]]]
"""A request's bytes → what to send, each after so many seconds."""


class Peer:
    """The other end: answers as the test says, byte by byte."""

    def __init__(self, take: Callable[[], bytes], give: Callable[[bytes], Any]) -> None:
        self.answers: Answers = lambda request: []
        self.requests: list[bytes] = []
        self._take, self._give = take, give
        self._thread = threading.Thread(target=self._run, name="peer")
        self._thread.start()

    def _run(self) -> None:
        while request := self._take():
            self.requests.append(request)
            for delay_s, data in self.answers(request):
                time.sleep(delay_s)
                self._give(data)

    def end(self) -> None:
        self._thread.join()


def adu(request: bytes, pdu: str, unit: int | None = None, late: int = 0) -> bytes:
    """A TCP answer to `request`; `late` moves its transaction back."""
    body = bytes((request[6] if unit is None else unit,)) + bytes.fromhex(pdu)
    transaction = int.from_bytes(request[:2], "big") - late
    return transaction.to_bytes(2, "big") + b"\0\0" + len(body).to_bytes(2, "big") + body


def rtu(frame: str) -> bytes:
    data = bytes.fromhex(frame)
    return data + crc16(data)


@pytest.fixture
def tcp() -> Iterator[tuple[Wire, Peer]]:
    listener = socket.create_server(("127.0.0.1", 0))
    wire = Wire("net", TCP, "127.0.0.1", listener.getsockname()[1])
    wire.open()
    link, _ = listener.accept()

    def take() -> bytes:
        try:
            return link.recv(512)
        except OSError:
            return b""

    peer = Peer(take, link.sendall)
    yield wire, peer
    wire.close()
    peer.end()
    link.close()
    listener.close()


@pytest.fixture
def serial() -> Iterator[tuple[Wire, Peer]]:
    ours, theirs = os.openpty()
    tty.setraw(theirs)
    wire = Wire("line", RTU, "", os.ttyname(theirs))
    wire.open()
    os.set_blocking(ours, False)
    stop = threading.Event()

    def take() -> bytes:
        heard = b""
        while not stop.is_set():
            try:
                heard += os.read(ours, 512)
            except BlockingIOError:
                if len(heard) >= 8:
                    return heard
                time.sleep(0.001)
        return b""

    peer = Peer(take, lambda data: os.write(ours, data))
    yield wire, peer
    stop.set()
    peer.end()
    wire.close()
    os.close(ours)
    os.close(theirs)


# MODBUS Application Protocol V1.1b3, 6.3 and 6.6, behind the header of MODBUS Messaging on TCP/IP
# Implementation Guide V1.0b, 3.1.3.
@pytest.mark.parametrize(
    ("ask", "body", "answer", "cells"),
    [
        (Ask("d", 17, 3, 0x6B, 3), "03 00 6B 00 03", "03 06 02 2B 00 00 00 64", [555, 0, 100]),
        (Ask("d", 17, 6, 1, 1, (3,)), "06 00 01 00 03", "06 00 01 00 03", None),
    ],
)
def test_a_request_leaves_behind_the_printed_header(
    tcp: tuple[Wire, Peer], ask: Ask, body: str, answer: str, cells: list[int] | None
) -> None:
    wire, peer = tcp
    peer.answers = lambda request: [(0, adu(request, answer))]
    if cells is None:
        wire.write(ask)
    else:
        assert list(wire.read(ask)) == cells
    assert peer.requests[0][2:] == bytes.fromhex("00 00 00 06 11") + bytes.fromhex(body)


# CRC pair of unit 11h: MODBUS over Serial Line V1.02.
def test_a_serial_request_carries_the_printed_crc(serial: tuple[Wire, Peer]) -> None:
    wire, peer = serial
    peer.answers = lambda request: [(0, bytes.fromhex("11 03 06 02 2B 00 00 00 64 C8 BA"))]
    assert list(wire.read(Ask("d", 17, 3, 0x6B, 3))) == [555, 0, 100]
    assert peer.requests == [bytes.fromhex("11 03 00 6B 00 03 76 87")]


READ = Ask("drive", 17, 3, 0, 1)


def test_an_exception_is_a_refusal_with_its_code(tcp: tuple[Wire, Peer]) -> None:
    wire, peer = tcp
    peer.answers = lambda request: [(0, adu(request, "83 02"))]
    with pytest.raises(DeviceRefused, match=r"drive \(unit 17\).*no such address") as caught:
        wire.read(READ)
    assert caught.value.code == 2


def test_silence_is_asked_once_and_raised_in_time(tcp: tuple[Wire, Peer]) -> None:
    wire, peer = tcp
    start_s = time.monotonic()
    with pytest.raises(Silent, match="no answer within 60 ms"):
        wire.read(READ)
    assert 0.05 <= time.monotonic() - start_s <= 0.2
    assert len(peer.requests) == 1


def test_many_silences_do_not_close_the_connection(tcp: tuple[Wire, Peer]) -> None:
    wire, peer = tcp
    for _ in range(6):
        with pytest.raises(Silent):
            wire.read(READ)
    peer.answers = lambda request: [(0, adu(request, "03 02 00 07"))]
    assert list(wire.read(READ)) == [7]


def test_a_late_answer_on_tcp_is_passed_over(tcp: tuple[Wire, Peer]) -> None:
    wire, peer = tcp
    with pytest.raises(Silent):
        wire.read(READ)
    peer.answers = lambda request: [
        (0, adu(request, "03 02 00 01", late=1)),
        (0.01, adu(request, "03 02 00 02")),
    ]
    assert list(wire.read(READ)) == [2]


@pytest.mark.parametrize(
    ("ask", "answer", "what"),
    [
        (READ, "04 02 00 07", "function 4"),
        (READ, "03 04 00 07 00 08", "2 registers"),
        (Ask("drive", 17, 1, 0, 9), "01 01 FF", "8 bits"),
        (Ask("drive", 17, 6, 1, 1, (3,)), "06 00 01 00 04", "echo"),
        (Ask("drive", 17, 6, 1, 1, (3,)), "06 00 02 00 03", "address 2"),
        (Ask("drive", 17, 5, 1, 1, (1,)), "05 00 01 00 00", "echo"),
        (Ask("drive", 17, 16, 1, 2, (3, 4)), "10 00 01 00 01", "echo"),
    ],
)
def test_an_answer_to_something_else_is_not_believed(
    tcp: tuple[Wire, Peer], ask: Ask, answer: str, what: str
) -> None:
    wire, peer = tcp
    peer.answers = lambda request: [(0, adu(request, answer))]
    with pytest.raises(ForeignAnswer, match=what):
        (wire.write if ask.cells else wire.read)(ask)


def test_another_units_answer_does_not_end_the_waiting(tcp: tuple[Wire, Peer]) -> None:
    wire, peer = tcp
    peer.answers = lambda request: [
        (0, adu(request, "03 02 00 01", unit=18)),
        (0.01, adu(request, "03 02 00 02")),
    ]
    assert list(wire.read(READ)) == [2]


def test_a_closed_connection_is_a_link_down_and_stays_closed(tcp: tuple[Wire, Peer]) -> None:
    wire, peer = tcp

    def hang_up(request: bytes) -> list[tuple[float, bytes]]:
        peer._give.__self__.shutdown(socket.SHUT_RDWR)  # type: ignore[attr-defined]
        return []

    peer.answers = hang_up
    with pytest.raises(LinkDown):
        wire.read(READ)
    assert not wire.is_open
    with pytest.raises(LinkDown, match="not open"):
        wire.read(READ)


def test_nobody_there_is_a_link_down(tcp: tuple[Wire, Peer]) -> None:
    with socket.create_server(("127.0.0.1", 0)) as listener:
        port = listener.getsockname()[1]
    with pytest.raises(LinkDown, match="nothing accepts a connection"):
        Wire("net", TCP, "127.0.0.1", port).open()
    with pytest.raises(LinkDown, match="no such port"):
        Wire("line", RTU, "", "/dev/serial/by-id/none").open()


def test_a_damaged_answer_is_told_from_silence(serial: tuple[Wire, Peer]) -> None:
    wire, peer = serial
    peer.answers = lambda request: [(0, bytes.fromhex("11 03 02 00 07 00 00"))]
    with pytest.raises(ForeignAnswer, match="7 bytes came"):
        wire.read(READ)


def test_a_late_answer_on_a_serial_line_is_taken_for_the_next_one(
    serial: tuple[Wire, Peer],
) -> None:
    """The trap itself: without a quiet time the old answer is believed."""
    wire, peer = serial
    answers = iter([[(0.08, rtu("11 03 02 00 01"))], []])
    peer.answers = lambda request: next(answers)
    with pytest.raises(Silent):
        wire.read(READ)
    assert list(wire.read(READ)) == [1]


def test_a_quiet_time_cures_it(serial: tuple[Wire, Peer]) -> None:
    wire, peer = serial
    answers = iter([[(0.1, rtu("11 03 02 00 01"))], [(0, rtu("11 03 02 00 02"))]])
    peer.answers = lambda request: next(answers)
    with pytest.raises(Silent):
        wire.read(READ)
    assert wire.settle(READ, 100, outstanding=True)
    assert list(wire.read(READ)) == [2]


def test_nothing_is_said_beside_our_own_ring_of_frames(
    tcp: tuple[Wire, Peer], capfd: pytest.CaptureFixture[str], caplog: pytest.LogCaptureFixture
) -> None:
    wire, _ = tcp
    with pytest.raises(Silent):
        wire.read(READ)
    said = capfd.readouterr()
    assert (said.out, said.err, caplog.records) == ("", "", [])
    assert [frame.sent for frame in wire.frames] == [True]
