"""The sign of life to the service manager: at most one a second, never a reason to wait.

Messages READY=1, WATCHDOG=1, STOPPING=1 as sd_notify(3) of systemd has them (from memory).
"""

from __future__ import annotations

import socket
from collections.abc import Iterator
from pathlib import Path

import pytest

from linectl.runtime.heartbeat import Heartbeat


@pytest.fixture
def manager(tmp_path: Path) -> Iterator[socket.socket]:
    listener = socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM)
    listener.bind(str(tmp_path / "notify"))
    listener.setblocking(False)
    yield listener
    listener.close()


def heard(manager: socket.socket) -> list[bytes]:
    messages = []
    while True:
        try:
            messages.append(manager.recv(100))
        except BlockingIOError:
            return messages


def test_good_scans_are_told_once_a_second(manager: socket.socket) -> None:
    heart = Heartbeat({"NOTIFY_SOCKET": manager.getsockname()})
    for now in range(0, 2500, 10):
        heart.beat(now)
    heart.close()
    assert heard(manager) == [b"READY=1", *[b"WATCHDOG=1"] * 3, b"STOPPING=1"]


def test_without_scans_there_is_no_sign_of_life(manager: socket.socket) -> None:
    heart = Heartbeat({"NOTIFY_SOCKET": manager.getsockname()})
    assert heard(manager) == [b"READY=1"]
    heart.close()


def test_without_a_manager_nothing_happens() -> None:
    heart = Heartbeat({})
    heart.beat(0)
    heart.close()


def test_a_manager_that_does_not_listen_delays_nothing(manager: socket.socket) -> None:
    heart = Heartbeat({"NOTIFY_SOCKET": manager.getsockname()})
    for now in range(0, 1_000_000, 1000):
        heart.beat(now)
    heart.close()
    assert heard(manager)[0] == b"READY=1"
