"""Devices and points for the field's parts, and a wire that is only played."""

from __future__ import annotations

from collections.abc import Callable
from types import SimpleNamespace
from typing import Any

import pytest

from linectl.field import modbus
from linectl.field.modbus import Wire
from linectl.field.outputs import DeviceOutputs
from linectl.site.hardware import Device, Point, RtuBus, TcpBus


def build_points(rows: list[dict[str, Any]]) -> tuple[Point, ...]:
    """Points of device `io`, tagged p0.value, p1.value …"""
    fixed = {"device": "io"}
    return tuple(
        Point.model_validate(
            {"index": k, "line": k + 2, "tag": f"p{k}.value", "direction": "out"} | fixed | row
        )
        for k, row in enumerate(rows)
    )


def build_device(**facts: Any) -> Device:
    return Device.model_validate({"bus": "b", "unit": 7, "silent_after": "200ms"} | facts)


@pytest.fixture(scope="session")
def points_of() -> Callable[[list[dict[str, Any]]], tuple[Point, ...]]:
    return build_points


@pytest.fixture(scope="session")
def device_of() -> Callable[..., Device]:
    return build_device


@pytest.fixture(scope="session")
def outputs_of() -> Callable[..., DeviceOutputs]:
    def build(rows: list[dict[str, Any]], **facts: Any) -> DeviceOutputs:
        return DeviceOutputs("io", build_device(**facts), build_points(rows))

    return build


SERIAL = RtuBus.model_validate(
    {"kind": "rtu", "port": "/dev/null", "baud": 115_200, "poll": "20ms", "timeout": "50ms"}
)


class PlayedLink:
    """Bytes come at their times after the last request; nothing else makes the clock go on."""

    where = "a played link"

    def remarks(self) -> list[str]:
        return []

    def __init__(self) -> None:
        self.now_s = 100.0
        self.is_open = True
        self.coming: list[tuple[float, bytes]] = []
        self.answers: Callable[[bytes], list[tuple[float, bytes]]] = lambda request: []
        self.endless = b""
        self.sent: list[bytes] = []

    def open(self) -> None:
        self.is_open = True

    def close(self) -> None:
        self.is_open = False

    def send(self, data: bytes, limit_s: float) -> None:
        self.sent.append(data)
        self.coming += [(self.now_s + after_s, piece) for after_s, piece in self.answers(data)]
        self.coming.sort(key=lambda piece: piece[0])

    def receive(self, until_s: float) -> bytes:
        if self.endless:
            self.now_s += 0.0001
            return self.endless
        if self.coming and self.coming[0][0] <= max(until_s, self.now_s):
            at_s, data = self.coming.pop(0)
            self.now_s = max(self.now_s, at_s)
            return data
        self.now_s = max(self.now_s, until_s)
        return b""


@pytest.fixture
def played(monkeypatch: pytest.MonkeyPatch) -> Callable[..., tuple[Wire, PlayedLink]]:
    """A wire, opened on a played link, with the link's clock."""

    def make(bus: RtuBus | TcpBus = SERIAL) -> tuple[Wire, PlayedLink]:
        link = PlayedLink()

        def sleep(seconds: float) -> None:
            link.now_s += seconds

        clock = SimpleNamespace(monotonic=lambda: link.now_s, sleep=sleep)
        monkeypatch.setattr(modbus, "time", clock)
        wire = Wire("line", bus, "h", 1)
        monkeypatch.setattr(wire, "_link", link)
        wire.open()
        return wire, link

    return make
