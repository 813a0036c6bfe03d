"""Output devices: what was written, what a hard-wired cut or lost power leaves of it.

`on` is the device's own output (after invert); `effect` is what reaches the actuator, over wires
in which mistakes may have been made. A cut or
a loss of power turns an effect off. Where the IO list says `stays` an arm stops where it is like
any motion, but a set-point, and a valve whose safe state is on (a closed grip), keep their last
effect until something is written again.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Callable

from linectl.image import Value
from linectl.site.calibration import is_hertz
from linectl.site.model import Site
from linectl_sim.hidden import HERTZ_ITSELF, Motor
from linectl_sim.points import Points

Handler = Callable[[Value], object]
SWITCHED_MAX = 100_000
"""Changes of actuators that are kept: days of production, more than any commissioning."""


class Outputs:
    """Outputs by point index. A handler is called when the effect of its output changes."""

    __slots__ = (
        "_clock", "_cut", "_devices", "_handlers", "_lit_ms", "_motors", "_outputs", "_powerless",
        "_since", "_site", "_stays", "cut_bits", "effect", "on", "points", "stuck", "switched",
        "switches", "watchers",
    )  # fmt: skip

    def __init__(self, site: Site, points: Points, clock: Callable[[], float]) -> None:
        self._site = site
        self._clock = clock
        self.points = points
        count = len(site.points) + 1
        self.on: list[Value] = [False] * count
        self.effect: list[Value] = [False] * count
        self._cut = [0] * count
        self._handlers: list[Handler | None] = [None] * count
        self.watchers: list[Handler | None] = [None] * count
        self._motors = {
            site.tags[tag]: Motor(drive.per_hz, drive.offset_hz)
            for tag, drive in site.calibration.drives.items()
            if tag in site.tags
        }
        self._stays = [
            point.on_loss == "stays" and (not point.is_bool or point.safe != 0)
            for point in site.points
        ] + [False]
        self._outputs = [point for point in site.points if point.direction == "out"]
        self._devices = {point.index: point.device for point in self._outputs}
        self._powerless: set[str] = set()
        self._since = [0.0] * count
        self._lit_ms = [0.0] * count
        self.switched: deque[tuple[int, int, bool]] = deque(maxlen=SWITCHED_MAX)
        """Changes of on/off actuators: when (ms), which, on or off."""
        self.switches = 0
        """All that there ever were."""
        self.stuck: set[int] = set()
        """Actuators that stay as they are, whatever they are told."""
        self.cut_bits: dict[str, int] = {}
        for point in self._outputs:
            self._store(point.index, _safe(point.is_bool, point.safe))
            self.effect[point.index] = self.on[point.index]

    def bind(self, part: str, role: str, handler: Handler) -> int:
        """Have `handler(value)` called whenever the effect of `part.role` changes.

        A drive that is told a frequency turns it into its own rate before it acts on it."""
        index = self.points.bind(part, role)
        if index != self.points.spare:
            told_hertz = is_hertz(self._site.points[index].unit)
            self._handlers[index] = self._turns(index, handler) if told_hertz else handler
        return index

    def is_truly(self, index: int, motor: Motor) -> None:
        """What a drive that is told a frequency gives."""
        self._motors[index] = motor
        handler = self._handlers[index]
        if handler is not None and self.effect[index]:
            handler(self.effect[index])

    def _turns(self, index: int, handler: Handler) -> Handler:
        """The handler behind a motor: below the frequency at which it begins to turn, nothing.

        A motor of which nobody knows what it gives for a hertz gives one."""

        def act(hertz: Value) -> object:
            motor = self._motors.get(index, HERTZ_ITSELF)
            beyond = hertz - motor.offset_hz
            return handler(beyond * motor.per_hz if hertz > 0 and beyond > 0 else 0.0)

        return act

    def write(self, index: int, raw: Value) -> None:
        """A value arrives at the device; lost while the device has no power."""
        if self._powerless and self._devices[index] in self._powerless:
            return
        self._store(index, raw)
        self.settle(self.points.wiring.other_end(index))

    def on_ms(self, index: int) -> float:
        """How long an on/off actuator has been on since the start, ms."""
        lit_ms = self._lit_ms[index]
        return lit_ms + (self._clock() - self._since[index] if self.effect[index] else 0.0)

    def fall_safe(self, device: str) -> None:
        """The device's outputs take their safe values (its watchdog, or its power came back)."""
        for point in self._outputs:
            if point.device == device:
                self._store(point.index, _safe(point.is_bool, point.safe))
                actuator = self.points.wiring.other_end(point.index)
                if not self._stays[actuator]:
                    self.settle(actuator)

    def power(self, device: str, present: bool) -> None:
        """Power of a device: without it outputs fall to safe values and writes are lost."""
        if present:
            self._powerless.discard(device)
        else:
            self._powerless.add(device)
        self.fall_safe(device)

    def cut(self, circuit: str, indices: list[int], open_: bool) -> None:
        """A hard-wired circuit opens or closes over these outputs."""
        bit = self.cut_bits.setdefault(circuit, 1 << len(self.cut_bits))
        for index in indices:
            self._cut[index] = self._cut[index] | bit if open_ else self._cut[index] & ~bit
            if not (open_ and self._stays[index]):
                self.settle(index)

    def _store(self, index: int, raw: Value) -> None:
        self.points.raw[index] = raw
        value = (not raw) if self.points.invert[index] else raw
        if self.on[index] != value:
            self.on[index] = value
            watcher = self.watchers[index]
            if watcher is not None:
                watcher(value)

    def settle(self, index: int) -> None:
        """Bring the effect at an actuator in line with output, wire, cuts, power and sticking."""
        register, value = index, self.on[index]
        wiring = self.points.wiring
        if wiring.amiss:
            register = wiring.other_end(index)
            value = wiring.at_actuator(index, self.points.raw)
            value = (not value) if self.points.invert[index] else value
        if self._cut[index] or (self._powerless and self._devices[register] in self._powerless):
            value = self.effect[index] if self._stays[index] else False
        if self.effect[index] == value or index in self.stuck:
            return
        if self.effect[index]:
            self._lit_ms[index] += self._clock() - self._since[index]
        self._since[index] = self._clock()
        self.effect[index] = value
        if isinstance(value, bool):
            self.switched.append((int(self._clock()), index, value))
            self.switches += 1
        handler = self._handlers[index]
        if handler is not None:
            handler(value)


def _safe(is_bool: bool, safe: float) -> Value:
    return bool(safe) if is_bool else safe
