"""A belt drive with ramps: travel as an exact function of time, and the time of any travel."""

from __future__ import annotations

from collections.abc import Callable
from math import sqrt

from linectl.site.machine import Conveyor
from linectl_sim.kernel import Entry, Kernel, cancel, whole_ms
from linectl_sim.outputs import Outputs
from linectl_sim.points import Points

RUNNING_LAG_MS = 50
CREEP_MM_S = 12
"""Speed of a drive that drifts though its run bit is off."""


class Drive:
    """One belt: run, speed, health. Between changes of target its motion is one parabola and
    one straight line, so that travel and crossing times are solved, never stepped."""

    __slots__ = (
        "_accel",
        "_back",
        "_back_mm",
        "_backwards",
        "_i_drive_ok",
        "_i_isolator",
        "_i_remote",
        "_i_running",
        "_kernel",
        "_lag",
        "_points",
        "_ramped_mm",
        "_s0",
        "_standing",
        "_t0",
        "_t1",
        "_v0",
        "changed",
        "facts",
        "fault",
        "powered",
        "run",
        "speed",
        "stirred",
        "tripped",
        "v1",
    )  # fmt: skip

    def __init__(
        self,
        kernel: Kernel,
        points: Points,
        outputs: Outputs,
        part: str,
        facts: Conveyor,
        stirred: Callable[[bool], object],
        backwards: Callable[[], bool] = lambda: False,
    ) -> None:
        self._kernel = kernel
        self._backwards = backwards
        """Asked when the drive starts: whether it turns the wrong way."""
        self._points = points
        self.facts = facts
        self.stirred = stirred
        self.changed: Callable[[], object] = lambda: None
        self._accel = facts.speed_mm_s / 1000 / facts.ramp_ms
        self._s0 = self._v0 = self.v1 = self._ramped_mm = 0.0
        self._t0 = self._t1 = 0
        self._back = False
        """Its motion is backwards, or its last one was."""
        self._back_mm = 0.0
        """What it has run backwards, but since its speed was last changed."""
        self._lag: Entry | None = None
        self._standing: Entry | None = None
        self.run = False
        self.speed = 0.0
        self.powered = True
        self.tripped = False
        self.fault = ""
        self._i_running = points.bind(part, "running")
        self._i_drive_ok = points.bind(part, "drive_ok")
        self._i_isolator = points.bind(part, "isolator_on")
        self._i_remote = points.bind(part, "remote")
        for index in (self._i_drive_ok, self._i_isolator, self._i_remote):
            points.put(index, True)
            points.watch(index, lambda _: self.settle())
        outputs.bind(part, "run", self._on_run)
        outputs.bind(part, "speed", self._on_speed)

    def _on_run(self, value: object) -> None:
        self.run = bool(value)
        self.settle()

    def _on_speed(self, value: float) -> None:
        self.speed = float(value)
        self.settle()

    def trip(self, tripped: bool) -> None:
        """The drive's own protection trips, or is reset."""
        self.tripped = tripped
        self._points.put(self._i_drive_ok, not tripped)

    @property
    def moving(self) -> bool:
        """Not at standstill at this instant."""
        return self.v1 > 0 or self._kernel.now < self._t1

    def settle(self) -> None:
        """Bring the target speed in line with run, speed, health and power."""
        truth = self._points.truth
        healthy = truth[self._i_drive_ok] and truth[self._i_isolator] and truth[self._i_remote]
        driven = self.run and healthy and self.powered and self.fault != "no_start"
        target = self.speed / 1000 if driven else 0.0
        if not driven and self.fault == "drifts":
            target = CREEP_MM_S / 1000
        if target != self.v1:
            self._ramp(target)

    def _ramp(self, target: float) -> None:
        now = self._kernel.now
        was_moving = self.moving
        self._back_mm += self._backing()
        here, speed = self.travel(), self.velocity()
        if not was_moving:
            self._back = self._backwards()
        self._s0, self._v0, self.v1, self._t0 = here, speed, target, now
        self._t1 = now + max(1, whole_ms(abs(target - speed) / self._accel))
        self._ramped_mm = (speed + target) / 2 * (self._t1 - now)
        cancel(self._standing)
        self._standing = None
        if target <= 0:
            self._standing = self._kernel.at(self._t1, self._stood)
        if not was_moving:
            self.stirred(True)
            cancel(self._lag)
            self._lag = self._kernel.after(RUNNING_LAG_MS, self._show_running)
        self.changed()

    def _stood(self) -> None:
        self.stirred(False)
        cancel(self._lag)
        self._lag = self._kernel.after(RUNNING_LAG_MS, self._show_running)

    def _show_running(self) -> None:
        self._points.put(self._i_running, self.moving)

    def velocity(self) -> float:
        """Belt speed now, mm/ms."""
        now = self._kernel.now
        if now >= self._t1:
            return self.v1
        return self._v0 + (self.v1 - self._v0) * (now - self._t0) / (self._t1 - self._t0)

    def travel(self) -> float:
        """Belt travel since the start, mm: what carries gutters on. None of it is backwards."""
        if self._back:
            return self._s0
        now = self._kernel.now
        if now >= self._t1:
            return self._s0 + self._ramped_mm + self.v1 * (now - self._t1)
        since = now - self._t0
        rise = (self.v1 - self._v0) / (self._t1 - self._t0)
        return self._s0 + self._v0 * since + rise / 2 * since * since

    def turned(self) -> float:
        """Belt travel since the start less what it ran backwards, mm."""
        return self.travel() - self._back_mm - self._backing()

    def _backing(self) -> float:
        """What it has run backwards since its speed was last changed, mm."""
        if not self._back:
            return 0.0
        self._back = False  # what it would have travelled the right way
        mm = self.travel() - self._s0
        self._back = True
        return mm

    def when(self, travel_mm: float) -> int | None:
        """The first ms at which the belt has travelled that far; None if it stands before."""
        if self._back:
            return None
        distance = travel_mm - self._s0
        if distance <= self._ramped_mm:
            if distance <= 0:
                return self._kernel.now
            rise = (self.v1 - self._v0) / (self._t1 - self._t0)
            root = sqrt(max(self._v0 * self._v0 + 2 * rise * distance, 0.0))
            time = self._t0 + 2 * distance / (self._v0 + root)
        elif self.v1 > 0:
            time = self._t1 + (distance - self._ramped_mm) / self.v1
        else:
            return None
        return max(whole_ms(time), self._kernel.now)
