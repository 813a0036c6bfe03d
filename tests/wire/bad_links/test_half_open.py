"""Connections that are dead and do not say so: noticed by our own count, found again in time."""

from __future__ import annotations

import socket
import time
from collections.abc import Callable
from typing import Any

import pytest

from linectl.errors import LinkDown
from linectl.field.links import TcpLink
from linectl.field.wiring import Field, Reach
from linectl.site.model import Site

pytestmark = pytest.mark.wire

MARGIN_S = 0.15
"""What a busy machine of two cores may add."""
BUS = {"kind": "tcp", "host": "127.0.0.1", "poll": "20ms", "timeout": "100ms"}
DEVICE = {"bus": "io", "turnaround": "1ms", "silent_after": "250ms", "watchdog": "1s"}
BACK_S = 5.0


def several(count: int) -> dict[str, Any]:
    return {f"d{k}": DEVICE | {"unit": k + 1} for k in range(count)}


def all_good(field: Field) -> bool:
    return all(snapshot.good for snapshot in field.snapshots())


def none_good(field: Field) -> bool:
    return not any(snapshot.good for snapshot in field.snapshots())


@pytest.mark.parametrize("devices", [1, 3])
def test_a_peer_gone_without_a_word_is_given_up_within_a_second_and_found_within_five(
    devices: int,
    site_of: Callable[..., Site],
    serve: Any,
    field_on: Callable[..., Field],
    eventually: Callable[..., float],
) -> None:
    """The network goes dead: what is sent is taken by nobody, and no connection learns of it."""
    site = site_of({"io": BUS}, several(devices))
    served = serve(site)
    field = field_on(served)
    eventually(lambda: all_good(field))
    began_s = time.monotonic()
    served.server.pull("io")
    eventually(lambda: none_good(field), 2)
    bad_s = time.monotonic() - began_s
    eventually(lambda: not field.health()[0].up, 3)
    dead_s = time.monotonic() - began_s
    assert bad_s <= 0.250 + 0.100 + MARGIN_S
    assert dead_s <= 1.0 + MARGIN_S
    time.sleep(0.7)
    served.server.plug("io")
    back_s = eventually(lambda: all_good(field), BACK_S)
    print(f"{devices} devices: bad {bad_s:.2f} s, given up {dead_s:.2f} s, back {back_s:.2f} s")


def test_a_peer_that_dies_in_the_middle_of_an_answer_is_given_up_too(
    site_of: Callable[..., Site],
    peer: Any,
    answer_to: Callable[..., bytes],
    field_at: Callable[..., Field],
    eventually: Callable[..., float],
) -> None:
    told = 0

    def say(link: socket.socket, asked: bytes) -> None:
        nonlocal told
        told += 1
        whole = answer_to(asked, 7)
        if told <= 5:
            link.sendall(whole)
        elif told == 6:
            link.sendall(whole[:9])

    server = peer(say)
    site = site_of({"io": BUS}, several(1), outputs=False)
    field = field_at(site, {"io": Reach("127.0.0.1", server.port)})
    eventually(lambda: all_good(field))
    eventually(lambda: told >= 6)
    assert eventually(lambda: bool(server.closed), 3) <= 1.0 + MARGIN_S
    assert field.health()[0].devices[0].errors["short"] == 1


def test_a_device_is_bad_in_time_while_a_new_connection_is_waited_for(
    site_of: Callable[..., Site],
    peer: Any,
    answer_to: Callable[..., bytes],
    field_at: Callable[..., Field],
    eventually: Callable[..., float],
) -> None:
    """The connection breaks and the next one is neither accepted nor refused, for a second."""
    full: list[socket.socket] = []

    def say(link: socket.socket, asked: bytes) -> None:
        if not full:
            link.sendall(answer_to(asked, 7))

    server = peer(say)
    site = site_of({"io": BUS}, several(1), outputs=False)
    field = field_at(site, {"io": Reach("127.0.0.1", server.port)})
    eventually(lambda: all_good(field))
    # A listener whose queue is full leaves a connection unanswered, as a dead network does.
    mute = socket.socket()
    mute.bind(("127.0.0.1", 0))
    mute.listen(0)
    try:
        for _ in range(3):
            full.append(socket.socket())
            full[-1].setblocking(False)
            full[-1].connect_ex(mute.getsockname())
        bus = field.buses[0]
        bus._wire._link._port = mute.getsockname()[1]
        heard_s = time.monotonic()
        server.close()
        eventually(lambda: none_good(field), 2)
        assert time.monotonic() - heard_s <= 0.250 + 0.100 + MARGIN_S
        assert field.buses[0].devices[0].health().quality == "link_down"
    finally:
        for one in [*full, mute]:
            one.close()


def test_a_peer_that_takes_no_bytes_holds_nobody_longer_than_the_limit() -> None:
    """Far more than any request, so that the system's own buffers are full."""
    with socket.create_server(("127.0.0.1", 0)) as deaf:
        link = TcpLink("127.0.0.1", deaf.getsockname()[1])
        link.open()
        began_s = time.monotonic()
        with pytest.raises(LinkDown, match="timed out"):
            link.send(bytes(64 * 1024 * 1024), 0.2)
        assert 0.2 <= time.monotonic() - began_s <= 0.2 + 0.5
        assert not link.is_open


def test_peers_that_hang_up_are_not_stormed(
    site_of: Callable[..., Site],
    peer: Any,
    answer_to: Callable[..., bytes],
    field_at: Callable[..., Field],
) -> None:
    """Pauses of 0.1, 0.2, 0.4, 0.8, 1.6, 3 s, each up to a fifth longer or shorter by chance: at
    most 9 connections in 10 s, also where each lives long enough for an answer or three."""

    def hangs_up(answers: int) -> Callable[[socket.socket, bytes], None]:
        left = [answers]

        def say(link: socket.socket, asked: bytes) -> None:
            if left[0]:
                left[0] -= 1
                link.sendall(answer_to(asked, 7))
            else:
                left[0] = answers
                link.close()

        return say

    servers = {"mute": peer(hangs_up(0)), "terse": peer(hangs_up(3))}
    devices = {name: DEVICE | {"bus": name, "unit": 1} for name in servers}
    site = site_of(dict.fromkeys(servers, BUS), devices, outputs=False)
    field_at(site, {name: Reach("127.0.0.1", server.port) for name, server in servers.items()})
    time.sleep(10.0)
    for name, server in servers.items():
        called = list(zip(server.closed, server.accepted[1:], strict=False))
        pauses_s = [round(later - earlier, 2) for earlier, later in called]
        print(f"{name}: {len(server.accepted)} connections in 10 s, pauses {pauses_s} s")
        assert 4 <= len(server.accepted) <= 9
        assert max(pauses_s) <= 3.6 + MARGIN_S
        assert len(set(pauses_s)) > 3
