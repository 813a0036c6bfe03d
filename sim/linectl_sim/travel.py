"""Trapezoidal travel along one line, solved exactly: from any position and speed to a target."""

from __future__ import annotations

from collections.abc import Callable
from math import sqrt

from linectl_sim.kernel import Entry, Kernel, cancel, whole_ms


class Travel:
    """Accelerates to `speed` (mm/s) within `ramp_ms`, brakes alike. Times are ms, lengths mm."""

    def __init__(
        self,
        kernel: Kernel,
        at_mm: float,
        speed_mm_s: int,
        ramp_ms: int,
        stirred: Callable[[bool], object],
    ) -> None:
        self._kernel = kernel
        self._speed = speed_mm_s / 1000
        self._accel = self._speed / ramp_ms
        self._stirred = stirred
        self._legs: list[tuple[float, float, float, float]] = []
        """(start, position, speed, acceleration) at the start of each leg."""
        self._rest = at_mm
        self._entry: Entry | None = None
        self.moving = False
        self.braking = False
        """True while it runs out because it was told to stop."""

    def state(self) -> tuple[float, float]:
        """Position and signed speed now."""
        if not self.moving:
            return self._rest, 0.0
        now = self._kernel.now
        start, place, speed, accel = next(leg for leg in reversed(self._legs) if leg[0] <= now)
        since = now - start
        return place + speed * since + accel / 2 * since * since, speed + accel * since

    def go(self, target_mm: float) -> None:
        """Travel to the target; a motion under way is bent, braked or reversed as it must."""
        place, speed = self.state()
        if not self.moving and abs(target_mm - place) < 0.5:
            return
        legs: list[tuple[float, float]] = []
        distance = target_mm - place
        brake_mm = speed * speed / (2 * self._accel)
        if speed and (distance * speed <= 0 or abs(distance) < brake_mm - 1e-6):
            sign = 1 if speed > 0 else -1
            legs.append((abs(speed) / self._accel, -sign * self._accel))
            distance -= sign * brake_mm
            speed = 0.0
        sign = 1 if distance >= 0 else -1
        way, initial = abs(distance), abs(speed)
        peak = min(self._speed, sqrt(self._accel * way + initial * initial / 2))
        peak = max(peak, initial)
        ramps_mm = (2 * peak * peak - initial * initial) / (2 * self._accel)
        legs.append(((peak - initial) / self._accel, sign * self._accel))
        legs.append((max(way - ramps_mm, 0.0) / peak if peak else 0.0, 0.0))
        legs.append((peak / self._accel, -sign * self._accel))
        self.braking = False
        self._start(legs, target_mm)

    def stop(self) -> None:
        """Brake to standstill."""
        if not self.moving or self.braking:
            return
        place, speed = self.state()
        sign = 1 if speed > 0 else -1
        self.braking = True
        end = place + sign * speed * speed / (2 * self._accel)
        self._start([(abs(speed) / self._accel, -sign * self._accel)], end)

    def place(self, at_mm: float) -> None:
        """Stand somewhere without having travelled there."""
        cancel(self._entry)
        self._rest = at_mm
        if self.moving:
            self.moving = False
            self._stirred(False)

    def _start(self, legs: list[tuple[float, float]], end_mm: float) -> None:
        place, speed = self.state()
        start = float(self._kernel.now)
        self._legs = []
        for duration, accel in legs:
            self._legs.append((start, place, speed, accel))
            place += speed * duration + accel / 2 * duration * duration
            speed += accel * duration
            start += duration
        self._rest = end_mm
        cancel(self._entry)
        self._entry = self._kernel.at(whole_ms(start), self._arrived)
        if not self.moving:
            self.moving = True
            self._stirred(True)

    def _arrived(self) -> None:
        self.moving = self.braking = False
        self._entry = None
        self._stirred(False)
