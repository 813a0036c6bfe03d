"""What the specifications say of a wire, in bytes written by hand: the plant's side and ours."""

from __future__ import annotations

import os
import socket
import threading
import time
import tty
from collections.abc import Callable, Iterator
from typing import Any

import pytest

from linectl.errors import Unreachable
from linectl.field.modbus import Ask, Wire
from linectl.site.hardware import Device, Point, RtuBus, TcpBus
from linectl.site.model import Site, SiteFile

pytestmark = pytest.mark.wire

TIMEOUT_MS = 150
TIMES = {"poll": "20ms", "timeout": f"{TIMEOUT_MS}ms"}
TCP = TcpBus.model_validate({"kind": "tcp", "host": "127.0.0.1"} | TIMES)
RTU = RtuBus.model_validate({"kind": "rtu", "port": "none", "baud": 115_200} | TIMES)
UNIT = 0x11
QUIET_S = 0.1
"""No answer by then is no answer: the served device takes some milliseconds."""


def hundred() -> Site:
    """A device of a hundred holding registers on a network, and one on a serial line."""
    row = {"direction": "out", "table": "holding", "type": "u16"}
    places = [(device, address) for device in ("net", "line") for address in range(100)]
    facts = {"unit": UNIT, "turnaround": "1ms", "silent_after": "500ms"}
    return Site.model_construct(
        file=SiteFile.model_construct(
            name="hundred",
            buses={"net": TCP, "line": RTU},
            devices={
                name: Device.model_validate(facts | {"bus": name}) for name in ("net", "line")
            },
        ),
        points=tuple(
            Point.model_validate(
                row
                | {"index": index, "line": index + 2, "tag": f"{device}.r{address}"}
                | {"device": device, "address": address}
            )
            for index, (device, address) in enumerate(places)
        ),
    )


def all_that_comes(read: Callable[[], bytes]) -> str:
    heard, end_s = b"", time.monotonic() + QUIET_S
    while time.monotonic() < end_s:
        try:
            heard += read()
        except BlockingIOError:
            time.sleep(0.002)
    return heard.hex(" ").upper()


@pytest.fixture
def served(serve: Callable[..., Any]) -> Any:
    return serve(hundred())


@pytest.fixture
def net(served: Any) -> Iterator[Callable[[str], str]]:
    """Bytes to the network side → what comes back."""
    with socket.create_connection(("127.0.0.1", served.port("net"))) as link:
        link.setblocking(False)

        def ask(frame: str) -> str:
            link.sendall(bytes.fromhex(frame))
            return all_that_comes(lambda: link.recv(512))

        yield ask


@pytest.fixture
def line(served: Any) -> Iterator[Callable[[str], str]]:
    """Bytes to the serial side → what comes back."""
    fd = os.open(served.path("line"), os.O_RDWR | os.O_NOCTTY | os.O_NONBLOCK)

    def ask(frame: str) -> str:
        os.write(fd, bytes.fromhex(frame))
        return all_that_comes(lambda: os.read(fd, 512))

    yield ask
    os.close(fd)


# MODBUS Application Protocol V1.1b3, 7, exception 02: with 100 registers, a request with start 96
# and quantity 4 is served, with quantity 5 it is exception 02. CRCs worked out with another
# implementation (pyModbusTCP).
def test_the_last_four_of_a_hundred_registers_on_a_line(line: Callable[[str], str]) -> None:
    assert line("11 03 00 60 00 04 46 87") == "11 03 08 00 00 00 00 00 00 00 00 C1 17"
    assert line("11 03 00 60 00 05 87 47") == "11 83 02 C1 34"


# MODBUS over Serial Line V1.02, 2.1: unit 0 is everybody; no answer is returned.
def test_a_broadcast_is_answered_by_nobody(
    net: Callable[[str], str], line: Callable[[str], str]
) -> None:
    assert line("00 06 00 00 00 07 C9 D9") == ""
    assert line("00 03 00 60 00 04 45 C6") == ""
    assert line("11 03 00 60 00 04 46 87").startswith("11 03 08")
    assert net("00 01 00 00 00 06 00 06 00 00 00 07") == ""
    answer = net("00 02 00 00 00 06 11 03 00 60 00 04")
    assert answer == "00 02 00 00 00 0B 11 03 08" + " 00" * 8


# V1.02, 2.4.1 and 2.5.1.2: a damaged frame is met with silence, not with an
# exception; the next frame is served.
def test_a_damaged_frame_is_met_with_silence(line: Callable[[str], str]) -> None:
    whole = bytes.fromhex("11 03 00 60 00 04 46 87")
    for place in (0, 1, 5, 6, 7):
        damaged = bytearray(whole)
        damaged[place] ^= 0x10
        assert line(damaged.hex()) == ""
    assert line(whole.hex()).startswith("11 03 08")


class Answers:
    """Gives prepared bytes, each after its delay, once a request has come on a pseudo-terminal."""

    def __init__(self, *answers: tuple[float, str]) -> None:
        self._ours, self._theirs = os.openpty()
        tty.setraw(self._theirs)
        self.path = os.ttyname(self._theirs)
        self._answers = answers
        self._thread = threading.Thread(target=self._run, name="answers")
        self._thread.start()

    def _run(self) -> None:
        heard = b""
        while len(heard) < 8:
            heard += os.read(self._ours, 64)
        for delay_s, frame in self._answers:
            time.sleep(delay_s)
            os.write(self._ours, bytes.fromhex(frame))

    def end(self) -> None:
        self._thread.join()
        os.close(self._ours)
        os.close(self._theirs)


READ = Ask("drive", UNIT, 3, 0x6B, 3)
OURS = "11 03 06 02 2B 00 00 00 64 C8 BA"  # V1.1b3, 6.3, with unit and CRC
ANOTHERS = "12 03 06 00 01 00 02 00 03 24 44"


# V1.02, 2.4.1: an answer from a unit that was not asked does not end the waiting.
def test_another_units_answer_does_not_stop_the_response_timer() -> None:
    for answers in ([(0.0, ANOTHERS), (0.05, OURS)], [(0.0, ANOTHERS)]):
        peer = Answers(*answers)
        wire = Wire("line", RTU, "", peer.path)
        wire.open()
        start_s = time.monotonic()
        if len(answers) == 2:
            assert list(wire.read(READ)) == [0x022B, 0, 0x64]
        else:
            with pytest.raises(Unreachable):
                wire.read(READ)
            assert time.monotonic() - start_s >= 0.95 * TIMEOUT_MS / 1000
        wire.close()
        peer.end()
