"""The plant as Modbus devices on this machine: TCP ports and serial pseudo-terminals, real time.

One thread: bytes in, plant brought up to now, answer after the device's turnaround and, on a
serial line, after the time its bytes would take. Units that the site does not name are silent.

Beside the buses a port for the rehearsal's own talk (JSON lines, `control` in the endpoints):

    {"do": verb, "part": …, "options": {…}}   a scenario's verb, now
    {"told": [move]}                          moves of the controller's ledger, for the auditor
    {"stock": [slot]}                         gutters standing in the lanes at the start
    {"report": true}                          → {"report": counts, lanes, violations}
"""

from __future__ import annotations

import heapq
import json
import os
import selectors
import tempfile
import time
from collections.abc import Callable, Iterable, Sequence
from pathlib import Path
from typing import Any, NamedTuple, Protocol

import linectl_sim
from linectl.errors import LinectlError
from linectl.image import Move, Slot
from linectl.registers.wire_time import frame_ms, silence_ms
from linectl.site.hardware import RtuBus
from linectl.site.model import Site
from linectl_sim.serve_device import ServedDevice
from linectl_sim.serve_frames import Request
from linectl_sim.serve_links import FRAME_GAP_S, Send, SerialPort, TcpPort
from linectl_sim.serve_talk import TalkPort

TICK_S = 0.01
"""The plant is brought up to now at least this often, asked or not."""


class Action(NamedTuple):
    """A scenario's verb at its time, ms since the plant began."""

    at_ms: int
    verb: str
    part: str
    options: dict[str, Any]


class Stop(Protocol):
    """Says when to end: a threading.Event will do."""

    def is_set(self) -> bool: ...


class PlantServer:
    """A plant behind its buses. `open`, then `run` until told to stop, then `close`."""

    def __init__(self, site: Site, plant: Any, actions: Iterable[Action] = ()) -> None:
        self.site = site
        self.plant = plant
        self._actions = sorted((Action(*action) for action in actions), key=lambda a: a.at_ms)
        self._selector = selectors.SelectSelector()  # microseconds; epoll rounds up to ms
        self._due: list[tuple[float, int, Callable[[], None]]] = []
        self._order = 0
        self._start_s = time.monotonic()
        self._devices = {
            name: ServedDevice(name, device, site.points, plant)
            for name, device in site.file.devices.items()
        }
        self._by_unit = {
            (device.bus, device.unit): self._devices[name]
            for name, device in site.file.devices.items()
        }
        self._ports: dict[str, TcpPort | SerialPort] = {}
        self._talk: TalkPort | None = None

    def open(self) -> dict[str, Any]:
        """Open every port; the endpoints as `plant --json` prints them, without the file."""
        for name, bus in self.site.file.buses.items():
            port = SerialPort if isinstance(bus, RtuBus) else TcpPort
            self._ports[name] = port(name, self._heard, self._selector)
        self._talk = TalkPort(self._told, self._selector)
        self._start_s = time.monotonic()
        rows = [self._endpoint(name) for name in self.site.file.devices]
        return {"site": self.site.name, "endpoints": rows, "control": self._talk.port}

    def run(self, stop: Stop) -> None:
        """Serve until `stop` is set."""
        while not stop.is_set():
            for key, _ in self._selector.select(self._patience_s()):
                key.data.ready(time.monotonic())
            self._bring_up_to_now()
            now_s = time.monotonic()
            while self._due and self._due[0][0] <= now_s:
                heapq.heappop(self._due)[2]()
            for port in self._ports.values():
                if isinstance(port, SerialPort):
                    port.silent(now_s)

    def close(self) -> None:
        """Close every port."""
        for port in self._ports.values():
            port.close()
        if self._talk:
            self._talk.close()
        self._selector.close()

    def _endpoint(self, name: str) -> dict[str, Any]:
        device = self.site.file.devices[name]
        bus = self.site.file.buses[device.bus]
        port = self._ports[device.bus]
        tcp = isinstance(port, TcpPort)
        return {
            "bus": device.bus,
            "device": name,
            "kind": bus.kind,
            "host": port.host if isinstance(port, TcpPort) else None,
            "port": port.port if isinstance(port, TcpPort) else None,
            "path": None if isinstance(port, TcpPort) else port.path,
            "baud": None if tcp or not isinstance(bus, RtuBus) else bus.baud,
            "unit": device.unit,
        }

    def _now_ms(self) -> int:
        return int((time.monotonic() - self._start_s) * 1000)

    def _patience_s(self) -> float:
        wait_s = TICK_S
        if self._due:
            wait_s = min(wait_s, self._due[0][0] - time.monotonic())
        if any(isinstance(p, SerialPort) and p.waiting for p in self._ports.values()):
            wait_s = min(wait_s, FRAME_GAP_S)
        return max(wait_s, 0.0)

    def _bring_up_to_now(self) -> None:
        now = self._now_ms()
        while self._actions and self._actions[0].at_ms <= now:
            action = self._actions.pop(0)
            self._advance(action.at_ms)
            self.plant.do(action.verb, action.part, **action.options)
        self._advance(now)
        for device in self._devices.values():
            device.watch(now)

    def _advance(self, limit: int) -> None:
        while self.plant.now < limit:
            self.plant.run_until(limit)
        self.plant.take_changed()

    def _later(self, delay_ms: float, action: Callable[[], None]) -> None:
        self._order += 1
        heapq.heappush(self._due, (time.monotonic() + delay_ms / 1000, self._order, action))

    def _heard(
        self, bus: str, request: Request, send: Send, frame: Callable[[Request, bytes], bytes]
    ) -> None:
        """A request came: let it reach the device after its time on the wire and turnaround."""
        device = self._by_unit.get((bus, request.unit))
        if device is None:
            return
        facts = self.site.file.buses[bus]
        wire_ms = 0.0
        if isinstance(facts, RtuBus):
            wire_ms = frame_ms(facts, len(request.pdu)) + silence_ms(facts)

        def reach() -> None:
            self._bring_up_to_now()
            if not self.plant.answers(device.name):
                return
            answer = device.request(request.pdu, self._now_ms())
            back_ms = frame_ms(facts, len(answer)) if isinstance(facts, RtuBus) else 0.0
            self._later(back_ms, lambda: send(frame(request, answer)))

        self._later(wire_ms + device.turnaround_ms, reach)

    def _told(self, asked: dict[str, Any]) -> dict[str, Any]:
        """One line of the rehearsal's talk."""
        self._bring_up_to_now()
        try:
            if "do" in asked:
                options = dict(asked.get("options") or {})
                self.plant.do(str(asked["do"]), str(asked.get("part", "")), **options)
            for move in asked.get("told", ()):
                self.plant.told(Move(*move))
            if "stock" in asked:
                self.plant.stock([Slot(*slot) for slot in asked["stock"]])
            if "report" in asked:
                return {"report": self.plant.report()}
        except LinectlError as error:
            return {"error": str(error)}
        except (TypeError, ValueError) as error:
            return {"error": f"not understood: {error}"}
        return {"ok": True}


def serve(
    site: Site,
    seed: int,
    stop: Stop,
    *,
    announce: Callable[[dict[str, Any]], None] | None = None,
    endpoints_file: Path | None = None,
    slots: Sequence[Slot] = (),
    actions: Iterable[Action] = (),
) -> dict[str, Any]:
    """Serve the site's plant until `stop` is set; the plant's report then.

    Writes the endpoints file (a new one in the temporary folder unless named; gone at the end)
    and calls `announce` with the object of `plant --json` when every device answers. `actions`:
    scenario verbs at their times. Raises UsageError for a verb, part or kind the plant has not.
    """
    plant = linectl_sim.open(site, seed)
    if slots:
        plant.stock(list(slots))
    server = PlantServer(site, plant, actions)
    endpoints = server.open()
    path = _write_endpoints(endpoints, endpoints_file)
    try:
        if announce:
            announce(endpoints | {"file": str(path)})
        server.run(stop)
    finally:
        server.close()
        path.unlink(missing_ok=True)
    report: dict[str, Any] = plant.report()
    return report


def _write_endpoints(endpoints: dict[str, Any], named: Path | None) -> Path:
    """Write the file whole or not at all; it names itself inside."""
    if named is None:
        handle, made = tempfile.mkstemp(".json", f"linectl-plant-{endpoints['site']}-")
        os.close(handle)
        named = Path(made)
    draft = named.with_suffix(".part")
    text = json.dumps(endpoints | {"file": str(named)}, indent=1)
    draft.write_text(text + "\n", encoding="utf-8")
    draft.replace(named)
    return named
