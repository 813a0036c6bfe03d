"""The plant behind its buses: TCP and TLS sockets, gateways, converters, pseudo-terminals.

Sockets are served by the thread of `run`: bytes in, plant brought up to now, answer after the
device's turnaround. A bus with a serial line has a thread of its own, so that its bytes come in
time; a lock keeps them from the plant at once. Units that the site does not name are silent.
"""

from __future__ import annotations

import heapq
import random
import selectors
import threading
import time
from collections import deque
from collections.abc import Callable, Iterable, Mapping
from pathlib import Path
from typing import Any, Protocol

from linectl.errors import LinectlError
from linectl.image import Move, Slot
from linectl.site.hardware import Bus, RtuBus
from linectl.site.model import Site
from linectl.site.scenario import Action
from linectl_sim.line_faults import LineFaults
from linectl_sim.paced_line import PacedLine
from linectl_sim.serve_device import ServedDevice
from linectl_sim.serve_frames import Request
from linectl_sim.serve_links import Send, TcpPort
from linectl_sim.serve_ports import Port, open_port, ports_before
from linectl_sim.serve_talk import TalkPort
from linectl_sim.serve_tls import server_context

TICK_S = 0.01
"""The plant is brought up to now at least this often, asked or not."""
LATE_SHARES = (0.1, 1.0)
"""A late device answers after the bus's time-out and this share of its declared lateness."""


class Stop(Protocol):
    """Says when to end: a threading.Event will do."""

    def is_set(self) -> bool: ...


class PlantServer:
    """A plant behind its buses. `open`, then `run` until told to stop, then `close`.

    tls     folder of the devices' certificates (linectl_sim.serve_tls.FILES), for TLS buses
    faults  what befalls the serial lines, by bus
    """

    def __init__(
        self,
        site: Site,
        plant: Any,
        actions: Iterable[Action | tuple[Any, ...]] = (),
        *,
        tls: Path | None = None,
        faults: Mapping[str, LineFaults] | None = None,
        seed: int = 0,
    ) -> None:
        self.site = site
        self.plant = plant
        played = (a if isinstance(a, Action) else Action(*a) for a in actions)
        plants = (action for action in played if action.verb != "command")
        self._actions = sorted(plants, key=lambda action: action.at_ms)
        self._tls = tls
        self._faults = faults or {}
        self._seed = seed
        self._random = random.Random(f"lateness {seed}")
        self._selector = selectors.SelectSelector()  # microseconds; epoll rounds up to ms
        self._due: list[tuple[float, int, Callable[[], None]]] = []
        self._order = 0
        self._orders: deque[Callable[[], None]] = deque()
        self._lock = threading.RLock()
        self._start_s = time.monotonic()
        self.devices = {
            name: ServedDevice(name, device, site.points, plant)
            for name, device in site.file.devices.items()
        }
        self._by_unit = {
            (device.bus, device.unit): self.devices[name]
            for name, device in site.file.devices.items()
        }
        self._free_s: dict[str, float] = {}
        self.late_ms: dict[str, float] = {}
        """By how much a device's answers come too late, ms: a worn converter, a busy device."""
        self.ports: dict[str, Port] = {}
        self._talk: TalkPort | None = None

    def open(self, file: Path | None = None) -> dict[str, Any]:
        """Open every port; the endpoints as `plant --json` prints them.

        file: the endpoints file. If an earlier plant of this site left it, its TCP ports are
        taken again; serial ports are links beside it, so that a controller finds them again.
        Raises UsageError for a TLS bus without certificates.
        """
        buses = self.site.file.buses
        before = ports_before(file, self.site)
        secure = any(bus.kind == "tls" for bus in buses.values())
        context = server_context(self._tls) if secure and self._tls is not None else None
        try:
            for name, bus in buses.items():
                link = file.with_name(f"{file.stem}.{name}") if file else None
                self.ports[name] = open_port(
                    name,
                    bus,
                    self._heard,
                    self._selector,
                    [_Seated(self, device) for device in self._on(name)],
                    wanted=before.get(name, 0),
                    link=link,
                    context=context,
                    faults=self._faults.get(name, LineFaults()),
                    seed=self._seed,
                )
        except BaseException:
            self.close()
            raise
        self._talk = TalkPort(self._told, self._selector)
        if goes_on_wire := getattr(self.plant, "goes_on_wire", None):
            goes_on_wire()
        self._start_s = time.monotonic()
        rows = [self._endpoint(name) for name in self.site.file.devices]
        return {"site": self.site.name, "endpoints": rows, "control": self._talk.port}

    def run(self, stop: Stop) -> None:
        """Serve until `stop` is set."""
        while not stop.is_set():
            ready = self._selector.select(self._patience_s())
            with self._lock:
                for key, _ in ready:
                    key.data.ready(time.monotonic())
                self._bring_up_to_now()
                while self._orders:
                    self._orders.popleft()()
                now_s = time.monotonic()
                while self._due and self._due[0][0] <= now_s:
                    heapq.heappop(self._due)[2]()

    def close(self) -> None:
        """Close every port."""
        for port in self.ports.values():
            port.close()
        if self._talk:
            self._talk.close()
        self._selector.close()

    def pull(self, bus: str) -> None:
        """The cable of a bus is pulled out: an adapter vanishes, a network goes dead."""
        port = self.ports[bus]
        if isinstance(port, TcpPort):
            self._orders.append(port.pull)
        else:
            port.vanish()

    def plug(self, bus: str) -> None:
        """It is plugged in again."""
        port = self.ports[bus]
        if isinstance(port, TcpPort):
            self._orders.append(port.plug)
        else:
            port.come_back()

    def reach(self, device: ServedDevice, pdu: bytes) -> bytes:
        """A request reaches its device now: its answer's PDU, b"" from a silent one."""
        with self._lock:
            self._bring_up_to_now()
            if not self.plant.answers(device.name):
                return b""
            return device.request(pdu, self._now_ms())

    def lateness_ms(self, device: ServedDevice) -> float:
        """By how much the device's next answer comes late, ms."""
        fixed_ms = self.late_ms.get(device.name, 0.0) + device.late_ms
        lags = getattr(self.plant, "lags", None)
        if lags is None or not lags(device.name):
            return fixed_ms
        facts = self.site.file.devices[device.name]
        timeout_ms = self.site.file.buses[facts.bus].timeout_ms
        share = self._random.uniform(*LATE_SHARES)
        return fixed_ms + timeout_ms + share * (facts.late_ms or timeout_ms)

    def _on(self, bus: str) -> list[ServedDevice]:
        return [device for (on, _), device in self._by_unit.items() if on == bus]

    def _endpoint(self, name: str) -> dict[str, Any]:
        device = self.site.file.devices[name]
        bus: Bus = self.site.file.buses[device.bus]
        port = self.ports[device.bus]
        serial = isinstance(port, PacedLine)
        return {
            "bus": device.bus,
            "device": name,
            "kind": bus.kind,
            "host": None if isinstance(port, PacedLine) else port.host,
            "port": None if isinstance(port, PacedLine) else port.port,
            "path": port.path if isinstance(port, PacedLine) else None,
            "baud": bus.baud if serial and isinstance(bus, RtuBus) else None,
            "unit": device.unit,
        }

    def _now_ms(self) -> int:
        return int((time.monotonic() - self._start_s) * 1000)

    def _patience_s(self) -> float:
        wait_s = TICK_S
        if self._due:
            wait_s = min(wait_s, self._due[0][0] - time.monotonic())
        return max(wait_s, 0.0)

    def _bring_up_to_now(self) -> None:
        now = self._now_ms()
        while self._actions and self._actions[0].at_ms <= now:
            action = self._actions.pop(0)
            self._advance(action.at_ms)
            self.plant.do(action.verb, action.part, **action.options)
        self._advance(now)
        for device in self.devices.values():
            device.watch(now)

    def _advance(self, limit: int) -> None:
        while self.plant.now < limit:
            self.plant.run_until(limit)
        self.plant.take_changed()

    def _at(self, due_s: float, action: Callable[[], None]) -> None:
        self._order += 1
        heapq.heappush(self._due, (due_s, self._order, action))

    def _heard(
        self, bus: str, request: Request, send: Send, frame: Callable[[Request, bytes], bytes]
    ) -> None:
        """A request came over TCP: the device takes it up when it has answered the one before."""
        device = self._by_unit.get((bus, request.unit))
        if device is None:
            return
        begin_s = max(time.monotonic(), self._free_s.get(device.name, 0.0))
        late_s = self.lateness_ms(device) / 1000
        reach_s = begin_s + device.turnaround_ms / 1000
        self._free_s[device.name] = reach_s + late_s

        def reach() -> None:
            answer = self.reach(device, request.pdu)
            if not answer:
                return
            if late_s > 0.0:
                self._at(reach_s + late_s, lambda: send(frame(request, answer)))
            else:
                send(frame(request, answer))

        self._at(reach_s, reach)

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
            if "places" in asked:
                return dict(self.plant.seen())
            if "moved" in asked:
                return {"moved": self.plant.moved(str(asked["moved"]))}
            if "switched" in asked:
                return {"switched": self.plant.switched(str(asked["switched"]))}
            if "set_points" in asked:
                return {"set_points": self.plant.set_points()}
            if "weigh" in asked:
                return {"weighed": self.plant.weigh(str(asked["weigh"]))}
            if "hidden" in asked:
                return {"hidden": self.plant.hidden()}
            if "report" in asked:
                return {"report": self.plant.report()}
        except LinectlError as error:
            return {"error": str(error)}
        except (TypeError, ValueError) as error:
            return {"error": f"not understood: {error}"}
        return {"ok": True}


class _Seated:
    """A served device on a modelled line."""

    def __init__(self, server: PlantServer, device: ServedDevice) -> None:
        self._server = server
        self._device = device
        self.unit = device.unit

    @property
    def turnaround_ms(self) -> float:
        return self._device.turnaround_ms

    @property
    def pause_ms(self) -> float:
        return self._device.pause_ms

    @property
    def late_ms(self) -> float:
        return self._server.lateness_ms(self._device)

    def request(self, pdu: bytes, now_ms: int) -> bytes:
        return self._server.reach(self._device, pdu)
