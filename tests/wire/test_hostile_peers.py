"""The hostile peers do what they say: seen with plain sockets and hand-written bytes."""

from __future__ import annotations

import os
import select
import socket
import time
from collections.abc import Callable, Iterator

import pytest

from linectl.registers.frames import crc16
from linectl_sim.hostile import BEHAVIOURS, FLOOD, SERIAL_BEHAVIOURS, HostilePort, HostileServer

pytestmark = pytest.mark.wire

ASK = bytes.fromhex("12 34 00 00 00 06 01 03 00 00 00 01")
RTU_ASK = bytes.fromhex("01 03 00 00 00 01 84 0A")
ANSWER_BYTES = 11


@pytest.fixture
def heard_from() -> Iterator[Callable[..., tuple[HostileServer, bytes, bool]]]:
    """Asks a hostile server once: it, what it said within `wait_s`, and whether it hung up."""
    begun: list[HostileServer] = []

    def ask(behaviour: str, wait_s: float = 0.1) -> tuple[HostileServer, bytes, bool]:
        begun.append(HostileServer(behaviour))
        with socket.create_connection((begun[-1].host, begun[-1].port)) as link:
            link.sendall(ASK)
            heard, ended = b"", False
            end_s = time.monotonic() + wait_s
            while not ended and (left_s := end_s - time.monotonic()) > 0:
                if select.select([link], [], [], left_s)[0]:
                    try:
                        more = link.recv(65_536)
                    except ConnectionResetError:
                        return begun[-1], heard, True
                    heard, ended = heard + more, not more
        return begun[-1], heard, ended

    yield ask
    for server in begun:
        server.close()


def test_every_behaviour_is_played(heard_from: Callable[..., tuple[HostileServer, bytes, bool]]):
    for behaviour in BEHAVIOURS:
        server, heard, _ = heard_from(behaviour, 0.06)
        if behaviour == "silence":
            assert heard == b""
        else:
            assert server.played[behaviour] >= 1, behaviour
            assert heard != b"", behaviour


def test_what_each_says(heard_from: Callable[..., tuple[HostileServer, bytes, bool]]) -> None:
    _, giant, _ = heard_from("giant")
    assert giant[:7] == bytes.fromhex("12 34 00 00 FF FF 01")
    _, foreign, _ = heard_from("foreign")
    assert foreign[:2] != ASK[:2]
    assert foreign[6:8] == ASK[6:8]
    _, twice, _ = heard_from("twice")
    assert twice[:ANSWER_BYTES] == twice[ANSWER_BYTES:]
    _, protocol, _ = heard_from("protocol")
    assert protocol[2:4] != b"\0\0"
    _, flood, _ = heard_from("flood")
    assert len(flood) == FLOOD * ANSWER_BYTES
    for breaks_off in ("reset", "short"):
        _, heard, ended = heard_from(breaks_off)
        assert ended
        assert len(heard) < ANSWER_BYTES


def test_a_drip_never_ends_a_frame(
    heard_from: Callable[..., tuple[HostileServer, bytes, bool]],
) -> None:
    _, heard, ended = heard_from("drip", 0.15)
    assert 5 <= len(heard) <= 31
    assert not ended


def test_the_hostile_serial_ports_too() -> None:
    for behaviour in SERIAL_BEHAVIOURS:
        port = HostilePort(behaviour)
        fd = os.open(port.path, os.O_RDWR | os.O_NOCTTY | os.O_NONBLOCK)
        try:
            os.write(fd, RTU_ASK)
            assert bool(select.select([fd], [], [], 0.1)[0]) == (behaviour != "silence")
            if behaviour == "twice":
                heard = os.read(fd, 512)
                assert heard[:7] == heard[7:]
                assert crc16(heard[:5]) == heard[5:7]
        finally:
            os.close(fd)
            port.close()
