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
from typing import Any, Protocol

import linectl_sim
from linectl.errors import LinectlError
from linectl.image import Move, Slot
from linectl.registers.wire_time import frame_ms, silence_ms
from linectl.site.hardware import RtuBus
from linectl.site.model import Site
from linectl.site.scenario import Action
from linectl_sim.serve_device import ServedDevice
from linectl_sim.serve_frames import Request
from linectl_sim.serve_links import FRAME_GAP_S, Send, SerialPort, TcpPort
from linectl_sim.serve_talk import TalkPort

TICK_S = 0.01
"""The plant is brought up to now at least this often, asked or not."""


class Stop(Protocol):
    """Says when to end: a threading.Event will do."""

    def is_set(self) -> bool: ...


class PlantServer:
    """A plant behind its buses. `open`, then `run` until told to stop, then `close`."""

    def __init__(
        self, site: Site, plant: Any, actions: Iterable[Action | tuple[Any, ...]] = ()
    ) -> None:
        self.site = site
        self.plant = plant
        played = (a if isinstance(a, Action) else Action(*a) for a in actions)
        plants = (action for action in played if action.verb != "command")
        self._actions = sorted(plants, key=lambda action: action.at_ms)
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
        self.late_ms: dict[str, int] = {}
        """By how much a device's answers come too late, ms: a worn converter, a busy device."""
        self._ports: dict[str, TcpPort | SerialPort] = {}
        self._talk: TalkPort | None = None

    def open(self, file: Path | None = None) -> dict[str, Any]:
        """Open every port; the endpoints as `plant --json` prints them.

        file: the endpoints file. If an earlier plant of this site left it, its TCP ports are
        taken again; serial ports are links beside it, so that a controller finds them again.
        """
        before = _ports_before(file, self.site)
        for name, bus in self.site.file.buses.items():
            if isinstance(bus, RtuBus):
                link = file.with_name(f"{file.stem}.{name}") if file else None
                self._ports[name] = SerialPort(name, self._heard, self._selector, link)
            else:
                wanted = before.get(name, 0)
                self._ports[name] = TcpPort(name, self._heard, self._selector, wanted)
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

        late_ms = self.late_ms.get(device.name, 0)
        self._later(wire_ms + device.turnaround_ms + late_ms, reach)

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
    actions: Iterable[Action | tuple[Any, ...]] = (),
) -> dict[str, Any]:
    """Serve the site's plant until `stop` is set; the plant's report then.

    Writes the endpoints file and calls `announce` with the object of `plant --json` when every
    device answers. A file that is named stays, and a plant started with it again takes the same
    ports; otherwise it lies in the temporary folder and is gone at the end. `actions`: scenario
    verbs at their times; those of the verb `command` are the controller's and passed over.
    Raises UsageError for a verb, part or kind the plant has not.
    """
    plant = linectl_sim.open(site, seed)
    if slots:
        plant.stock(list(slots))
    server = PlantServer(site, plant, actions)
    path, ours = _endpoints_path(site, endpoints_file)
    try:
        endpoints = server.open(path) | {"file": str(path)}
        _write_whole(path, endpoints)
        if announce:
            announce(endpoints)
        server.run(stop)
    finally:
        server.close()
        if ours:
            path.unlink(missing_ok=True)
    report: dict[str, Any] = plant.report()
    return report


def _endpoints_path(site: Site, named: Path | None) -> tuple[Path, bool]:
    """Where the endpoints go, and whether that file is ours to remove at the end."""
    if named is not None:
        return named, False
    handle, made = tempfile.mkstemp(".json", f"linectl-plant-{site.name}-")
    os.close(handle)
    return Path(made), True


def _ports_before(file: Path | None, site: Site) -> dict[str, int]:
    """TCP ports by bus that an earlier plant of this site wrote into the file."""
    try:
        before = json.loads(file.read_text(encoding="utf-8")) if file else {}
        if before.get("site") != site.name:
            return {}
        return {row["bus"]: int(row["port"]) for row in before["endpoints"] if row["port"]}
    except (OSError, ValueError, KeyError, TypeError, AttributeError):
        return {}


def _write_whole(path: Path, endpoints: dict[str, Any]) -> None:
    """Write the file whole or not at all."""
    draft = path.with_name(path.name + ".part")
    draft.write_text(json.dumps(endpoints, indent=1) + "\n", encoding="utf-8")
    draft.replace(path)
