"""The cable pulled and plugged in again at random moments: safe each time, back each time, nothing
moves by itself, nothing is left behind. `LINECTL_CAMPAIGN=full` pulls it 200 times."""

from __future__ import annotations

import contextlib
import os
import select
import socket
import termios
import threading
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from random import Random
from typing import Any

import pytest

from linectl.errors import LinkDown
from linectl.field.links import SerialLink
from linectl.field.wiring import Field, Reach, reach_in
from linectl.site.hardware import RtuBus
from linectl.site.model import Site

pytestmark = [pytest.mark.wire, pytest.mark.campaign]

FULL = os.environ.get("LINECTL_CAMPAIGN") == "full"
PULLS = 200 if FULL else 4
AWAY_S = 2.5 if FULL else 1.5
MARGIN_S = 0.25
"""What a busy machine of two cores may add."""
BACK_S = 5.0
HELD_S = 0.35
"""For so long after its return nothing may move, though the demand for it stands all the time."""
SILENT_AFTER_S, WATCHDOG_S, TIMEOUT_S = 0.450, 1.000, 0.100
TIMES = {"poll": "20ms", "timeout": "100ms"}
TCP = {"kind": "tcp", "host": "127.0.0.1"} | TIMES
RTU = {"kind": "rtu", "port": "/dev/null", "baud": 115_200, "parity": "none"} | TIMES
DEVICE = {"turnaround": "1ms", "silent_after": "450ms", "watchdog": "1s", "refresh": "200ms"}

CALM = {"silent_after": "2s", "watchdog": "4s"}
"""Devices that nobody pulls: only a stall of this machine could lose them, and not a short one."""


class Cable:
    """A cable between a field and a served TCP port, in a thread of its own.

    `cut(hard)` ends every connection and refuses new ones; `cut(soft)` swallows what is sent, both
    ways, and lets new connections come to nothing: no side learns of it."""

    def __init__(self, port: int) -> None:
        self._to = ("127.0.0.1", port)
        self._listener = self._listen(0)
        self.port = self._listener.getsockname()[1]
        self._pairs: dict[socket.socket, socket.socket] = {}
        self._mode = "whole"
        self._told = threading.Condition()
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self._run, name="cable")
        self._thread.start()

    @staticmethod
    def _listen(port: int) -> socket.socket:
        return socket.create_server(("127.0.0.1", port))

    def set(self, mode: str) -> None:
        """`whole`, `refused` or `swallowed`; done on return."""
        with self._told:
            self._mode = mode
            self._told.wait()

    def _run(self) -> None:
        mode = "whole"
        while not self._stop.is_set():
            with self._told:
                if mode != self._mode:
                    mode = self._become(self._mode)
                self._told.notify_all()
            ends = [*self._pairs] if mode == "whole" else []
            if self._listener.fileno() >= 0:
                ends.append(self._listener)
            for end in select.select(ends, [], [], 0.005)[0]:
                if end is self._listener:
                    self._accept(mode)
                elif end in self._pairs:
                    self._pass_on(end)
        self._drop_all()
        self._listener.close()

    def _become(self, mode: str) -> str:
        if mode == "refused":
            self._listener.close()
            self._drop_all()
        elif self._listener.fileno() < 0:
            self._listener = self._listen(self.port)
        elif mode == "whole":  # whoever was cut off without a word learns it now
            self._drop_all()
        return mode

    def _accept(self, mode: str) -> None:
        link = self._listener.accept()[0]
        link.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        far = socket.socket() if mode == "swallowed" else socket.create_connection(self._to)
        self._pairs[link], self._pairs[far] = far, link

    def _pass_on(self, end: socket.socket) -> None:
        data = b""
        with contextlib.suppress(OSError):
            data = end.recv(4096)
        if data:
            with contextlib.suppress(OSError):
                self._pairs[end].sendall(data)
        else:
            other = self._pairs[end]
            for one in (end, other):
                self._pairs.pop(one)
                one.close()

    def _drop_all(self) -> None:
        for end in self._pairs:
            end.close()
        self._pairs.clear()

    def end(self) -> None:
        self._stop.set()
        self._thread.join()


@pytest.fixture
def cable_to() -> Iterator[Callable[[int], Cable]]:
    begun: list[Cable] = []

    def begin(port: int) -> Cable:
        begun.append(Cable(port))
        return begun[-1]

    yield begin
    for cable in begun:
        cable.end()


class Rig:
    """A site of two devices on each bus, served; a field on it; a scan that demands both to run."""

    def __init__(self, site: Site, plant: Any, field: Field, scan: Any, eventually: Any) -> None:
        self.site, self.plant, self.field, self.scan = site, plant, field, scan
        self.eventually = eventually
        self.worst: dict[str, float] = {"bad": 0.0, "safe": 0.0, "back": 0.0}
        self.moved = 0
        self.stolen = 0
        """How often another process of this machine took our pseudo-terminal."""
        self.stalls: list[str] = []
        self.lost_at: dict[tuple[str, ...], list[int]] = {}

    def running(self, *devices: str) -> list[bool]:
        return [self.plant.values[self.site.index(f"{d}.run")] is not False for d in devices]

    def demand(self, value: bool) -> None:
        self.scan.put(**{f"{name}__run": value for name in self.site.file.devices})

    def good(self, *devices: str) -> bool:
        return all(s.good for s in self.field.snapshots() if s.device in devices)

    def pull_once(
        self, pull: Callable[[], None], plug: Callable[[], None], away_s: float, *cut: str
    ) -> None:
        """Pull, watch all become safe, plug in, watch nothing move, run again as demanded anew."""
        calm = [name for name in self.site.file.devices if name.startswith("calm")]
        self._runs_still(*cut)
        lost = self._lost(*calm)
        began_s = time.monotonic()
        pull()
        self._note("bad", self.eventually(lambda: not any(map(self._is_good, cut)), 3))
        self.eventually(lambda: not any(self.running(*cut)), 3)
        self._note("safe", time.monotonic() - began_s)
        while time.monotonic() - began_s < away_s:
            assert not any(self.running(*cut))
            time.sleep(0.005)
        before = len(self.plant.written)
        self._turn_inputs(*cut)
        plug()
        self._note("back", self._back(pull, plug, *cut))
        self._shows_anew(*cut)
        end_s = time.monotonic() + HELD_S
        while time.monotonic() < end_s:
            assert not any(self.running(*cut)), "moved by itself"
            time.sleep(0.005)
        runs = {self.site.index(f"{name}.run") for name in cut}
        assert not [w for w in self.plant.written[before:] if w[0] in runs and w[1] is True]
        assert self._lost(*calm) == lost  # nobody else noticed
        assert all(self.running(*calm))
        self._run_again(*cut)

    def _back(self, pull: Callable[[], None], plug: Callable[[], None], *cut: str) -> float:
        """How long until they are good again, s; no longer than `BACK_S`. Where another process of
        this machine has taken our pseudo-terminal, because it opens one that had this number
        before, the adapter is plugged in once more, under another name; and the time begins anew.
        """
        began_s, tries = time.monotonic(), self._tries()
        while not self.good(*cut):
            words = "\n".join(self.words(*cut))
            if "holds it: end that first" in words and self._tries() > tries:
                self.stolen += 1
                pull()
                plug()
                began_s, tries = time.monotonic(), self._tries()
            elif time.monotonic() - began_s > BACK_S:
                pytest.fail(words)
            time.sleep(0.005)
        return time.monotonic() - began_s

    def _tries(self) -> int:
        return sum(bus.errors.get("link_down", 0) for bus in self.field.health())

    def words(self, *devices: str) -> list[str]:
        """What the field says of devices that are not good."""
        healths = [device for bus in self.field.health() for device in bus.devices]
        return [str(h) for h in healths if h.name in devices and not h.good]

    def _is_good(self, device: str) -> bool:
        return self.good(device)

    def _note(self, what: str, took_s: float) -> None:
        self.worst[what] = max(self.worst[what], took_s)

    def _turn_inputs(self, *devices: str) -> None:
        self.moved += 1
        for point in self.site.points:
            if point.direction == "in" and point.device in devices:
                self.plant.values[point.index] = (self.moved * 7 + point.index) % 60_000

    def _shows_anew(self, *devices: str) -> None:
        for snapshot in self.field.snapshots():
            if snapshot.device in devices:
                shown = [self.plant.values[index] for index in snapshot.points]
                assert list(snapshot.values) == shown

    def _run_again(self, *devices: str) -> None:
        """Safe once and then run."""
        for _ in range(3):
            lost = self._lost(*devices)
            for name in devices:
                self.scan.put(**{f"{name}__run": False})
            time.sleep(0.3)
            self.demand(True)
            end_s = time.monotonic() + 1.0
            while not all(self.running(*devices)) and time.monotonic() < end_s:
                time.sleep(0.005)
            if all(self.running(*devices)):
                self.lost_at[devices] = self._lost(*devices)
                return
            assert self._lost(*devices) != lost, "safe was demanded, and it does not run"
            self._note_stall()
        pytest.fail("this machine stalls too often to say anything")

    def _runs_still(self, *devices: str) -> None:
        """A machine that stalls for longer than `silent_after` loses devices by itself; then, and
        only then, they must be demanded anew. It is counted."""
        if not all(self.running(*devices)):
            assert self._lost(*devices) != self.lost_at.get(devices), "it was not lost, and stands"
            self._note_stall()
            self._run_again(*devices)

    def _note_stall(self) -> None:
        bus = next(bus for bus in self.field.health() if bus.name == "drives")
        self.stalls.append(f"{dict(bus.errors)}: {[device.last for device in bus.devices]}")

    def _lost(self, *devices: str) -> list[int]:
        return [s.lost for s in self.field.snapshots() if s.device in devices]


@pytest.fixture
def rig(field_at: Any, scan_on: Any, eventually: Any) -> Callable[..., Rig]:
    def build(served: Any, at: dict[str, Reach]) -> Rig:
        site = served.site
        reach = reach_in(served.endpoints, site) | at
        field = field_at(site, reach)
        made = Rig(site, served.plant, field, scan_on(site, field), eventually)
        eventually(lambda: made.good(*site.file.devices))
        made.demand(True)
        eventually(lambda: all(made.running(*site.file.devices)))
        return made

    return build


def devices_on(*buses: str) -> dict[str, Any]:
    return {f"{bus}{unit}": DEVICE | {"bus": bus, "unit": unit} for bus in buses for unit in (1, 2)}


def threads_and_descriptors() -> tuple[list[str], int]:
    names = sorted(thread.name for thread in threading.enumerate())
    return names, len(os.listdir("/proc/self/fd"))


def within_bounds(worst: dict[str, float]) -> None:
    assert worst["bad"] <= SILENT_AFTER_S + TIMEOUT_S + MARGIN_S
    assert worst["safe"] <= WATCHDOG_S + MARGIN_S
    assert worst["back"] <= BACK_S


def test_a_cable_pulled_and_plugged_in_again(
    rig: Callable[..., Rig],
    site_of: Any,
    serve: Any,
    cable_to: Callable[[int], Cable],
    eventually: Callable[..., float],
    tmp_path: Path,
) -> None:
    """A network cable (refused, or swallowed) and a serial adapter that returns under another name
    behind the same link, in turn as chance has it; the third bus is left alone."""
    random = Random(200)
    buses = {"net": TCP, "drives": RTU, "calm": TCP}
    devices = devices_on("net", "drives") | {
        name: device | CALM for name, device in devices_on("calm").items()
    }
    served = serve(site_of(buses, devices), file=tmp_path / "endpoints.json")
    cable = cable_to(served.port("net"))
    made = rig(served, {"net": Reach("127.0.0.1", cable.port)})
    line = served.server.ports["drives"]
    at_first, names = threads_and_descriptors(), {line.device}
    played = dict.fromkeys(("refused", "swallowed", "vanished"), 0)
    for _ in range(PULLS):
        kind = random.choice(("refused", "swallowed", "vanished"))
        played[kind] += 1
        away_s = random.choice((0.0, 0.0, random.uniform(0.0, AWAY_S)))
        time.sleep(random.uniform(0.0, 0.06))  # at any moment of a poll
        if kind == "vanished":
            made.pull_once(line.vanish, line.come_back, away_s, "drives1", "drives2")
            names.add(line.device)
        else:
            made.pull_once(
                lambda kind=kind: cable.set(kind),
                lambda: cable.set("whole"),
                away_s,
                "net1",
                "net2",
            )
    print(f"{PULLS} pulls {played}, worst {made.worst} s, {len(names)} names of the port")
    print(f"{made.stolen} ports taken by other processes")
    print(f"{len(made.stalls)} stalls of the machine: {made.stalls}")
    for bus in made.field.health():
        print(bus.name, dict(bus.errors))
    assert len(made.stalls) <= max(2, PULLS // 20)
    within_bounds(made.worst)
    eventually(lambda: threads_and_descriptors() == at_first, 2)
    if played["vanished"]:
        assert len(names) > 1


def test_a_port_that_goes_while_it_is_opened_is_a_link_that_is_down(
    monkeypatch: pytest.MonkeyPatch, serve: Any, site_of: Any
) -> None:
    """pyserial 3.5 passes termios.error on from its last steps: it is no OSError."""
    served = serve(site_of({"drives": RTU}, devices_on("drives")))
    link = SerialLink(RtuBus.model_validate(RTU), served.path("drives"))
    before = len(os.listdir("/proc/self/fd"))

    def gone(*_: Any) -> None:
        raise termios.error(5, "Input/output error")

    monkeypatch.setattr(termios, "tcflush", gone)
    with pytest.raises(LinkDown, match="/dev/pts/"):
        link.open()
    assert not link.is_open
    assert len(os.listdir("/proc/self/fd")) == before
