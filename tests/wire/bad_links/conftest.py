"""Sites of a few registers, and peers that play a part by hand."""

from __future__ import annotations

import contextlib
import socket
import struct
import threading
import time
from collections.abc import Callable, Iterator, Mapping
from typing import Any

import pytest
from pydantic import TypeAdapter

from linectl.field.wiring import Field
from linectl.site.hardware import Bus, Device, Point
from linectl.site.interlocks import InterlockFile
from linectl.site.model import Site, SiteFile

INPUTS = 4
"""Registers that each device shows, from address 0 on."""


def registers_site(
    buses: Mapping[str, Mapping[str, Any]],
    devices: Mapping[str, Mapping[str, Any]],
    inputs: int = INPUTS,
    outputs: bool = True,
    folder: str = "",
) -> Site:
    """Each device DEV has inputs `DEV.v0` … and, with outputs, `DEV.run` (coil) and `DEV.speed`."""
    rows: list[dict[str, Any]] = []
    for name in devices:
        for at in range(inputs):
            rows.append({"tag": f"{name}.v{at}", "type": "u16", "direction": "in", "address": at})
        if outputs:
            rows.append({"tag": f"{name}.run", "type": "bool", "direction": "out", "address": 0})
            rows.append({"tag": f"{name}.speed", "type": "u16", "direction": "out", "address": 50})
        for row in rows:
            row.setdefault("device", name)
            row.setdefault("table", "coil" if row["type"] == "bool" else "holding")
    points = tuple(
        Point.model_validate({"index": k, "line": k + 2} | row) for k, row in enumerate(rows)
    )
    bus_of: TypeAdapter[Any] = TypeAdapter(Bus)
    return Site.model_construct(
        file=SiteFile.model_construct(
            name="bad links",
            scan_ms=10,
            buses={name: bus_of.validate_python(facts) for name, facts in buses.items()},
            devices={name: Device.model_validate(facts) for name, facts in devices.items()},
        ),
        points=points,
        interlocks=InterlockFile.model_construct(causes={}, effects={}),
        folder=folder,
        digest="",
    )


@pytest.fixture(scope="session")
def site_of() -> Callable[..., Site]:
    return registers_site


class Peer:
    """A TCP server played by hand: `say` gets each request of 12 bytes and the connection."""

    def __init__(
        self,
        say: Callable[[socket.socket, bytes], None] | None,
        greet: Callable[[socket.socket], None] | None = None,
    ) -> None:
        self.accepted: list[float] = []
        self.closed: list[float] = []
        self.heard: list[bytes] = []
        self._say, self._greet = say, greet
        self._listener = socket.create_server(("127.0.0.1", 0))
        self._listener.settimeout(0.05)
        self.port = self._listener.getsockname()[1]
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self._run, name="peer")
        self._thread.start()

    def _run(self) -> None:
        while not self._stop.is_set():
            with contextlib.suppress(TimeoutError):
                link, _ = self._listener.accept()
                self.accepted.append(time.monotonic())
                with link, contextlib.suppress(OSError):
                    self._serve(link)
                self.closed.append(time.monotonic())

    def _serve(self, link: socket.socket) -> None:
        link.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        if self._greet:
            self._greet(link)
        link.settimeout(0.02)
        while not self._stop.is_set() and link.fileno() >= 0:
            try:
                asked = link.recv(4096)
            except TimeoutError:
                continue
            if not asked:
                return
            self.heard.append(asked)
            if self._say:
                self._say(link, asked)

    def close(self) -> None:
        self._stop.set()
        self._thread.join()
        self._listener.close()


def true_answer(asked: bytes, value: int, ahead: int = 0) -> bytes:
    """The frame that answers a read of registers, each `value`; `ahead` of its own number."""
    number, _, _, unit, function, _, quantity = struct.unpack(">HHHBBHH", asked[:12])
    pdu = bytes((function, 2 * quantity)) + struct.pack(">H", value) * quantity
    return struct.pack(">HHHB", (number + ahead) & 0xFFFF, 0, len(pdu) + 1, unit) + pdu


@pytest.fixture(scope="session")
def answer_to() -> Callable[..., bytes]:
    return true_answer


@pytest.fixture
def peer() -> Iterator[Callable[..., Peer]]:
    begun: list[Peer] = []

    def begin(*parts: Any, **named: Any) -> Peer:
        begun.append(Peer(*parts, **named))
        return begun[-1]

    yield begin
    for one in begun:
        one.close()


@pytest.fixture
def field_at(clock: Callable[[], int]) -> Iterator[Callable[..., Field]]:
    """A field that has started on given places; stopped after the test."""
    begun: list[Field] = []

    def begin(site: Site, reach: Any) -> Field:
        begun.append(Field(site, clock, reach))
        begun[-1].start()
        return begun[-1]

    yield begin
    for field in begun:
        assert field.stop() == []
        assert field.failure() is None
