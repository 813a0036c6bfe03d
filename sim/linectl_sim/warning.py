"""No motion of machinery that looked dead without the horn before it.

A unit's zone in which nothing has moved for long, or which was cut or lost power, may only
begin to move when its horn (by its feedback) has sounded for the start warning, and no longer
ago than the site lets a unit stand before it is suspended. Shared zones move for either unit:
its horn, or its having begun properly, counts.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from linectl.image import Value
from linectl_sim.machine import Machine

if TYPE_CHECKING:
    from linectl_sim.auditor import Auditor

HEARD_BEYOND_MS = 5_000
"""A warned unit that has not moved is suspended, and warns anew, by its limit and this."""
QUIET_BEYOND_MS = 60_000
"""A zone looks dead this long after its unit would have been suspended."""
LONG_AGO = -(10**12)


class WarningWatch:
    """Motion and horns by zone."""

    def __init__(self, machine: Machine, auditor: Auditor) -> None:
        self._auditor = auditor
        self._kernel = machine.world.kernel
        file = machine.world.site.file
        self._warn_ms = file.limits.start_warning_ms
        self._heard_ms = file.limits.suspend_after_ms + HEARD_BEYOND_MS
        self._quiet_ms = file.limits.suspend_after_ms + QUIET_BEYOND_MS
        self._names = list(file.zones)
        count = len(self._names)
        self._shared = [zone.unit is None for zone in file.zones.values()]
        self._units = [number for number in range(count) if not self._shared[number]]
        self._moving = [0] * count
        self._last = [LONG_AGO] * count
        self._cut_at: list[int | None] = [0] * count
        """When it was last cut or without power, None once it has begun properly since."""
        self._sounds_since: list[int | None] = [None] * count
        self._warned_until = [LONG_AGO] * count
        for number, name in enumerate(self._names):
            index = machine.safety.zones[name].i_horn_on
            machine.world.points.watch(index, self._horn(number))
        machine.safety.was_cut = self.cut

    def cut(self, zone: str) -> None:
        """A cut or a loss of power has stopped that zone."""
        self._cut_at[self._auditor.zones[zone]] = self._kernel.now

    def _horn(self, number: int):  # type: ignore[no-untyped-def]
        def changed(sounds: Value) -> None:
            since = self._sounds_since[number]
            if sounds:
                self._sounds_since[number] = self._kernel.now
            elif since is not None:
                if self._kernel.now - since >= self._warn_ms:
                    self._warned_until[number] = self._kernel.now
                self._sounds_since[number] = None

        return changed

    def moving(self) -> list[str]:
        """Zones in which something moves now."""
        return [name for name, count in zip(self._names, self._moving, strict=True) if count]

    def stirred(self, zone: int, moving: bool, what: str) -> None:
        """Something in a zone begins to move, or stands again."""
        if not moving:
            self._moving[zone] -= 1
            self._last[zone] = self._kernel.now
            return
        if not self._moving[zone] and what not in self._auditor.excused:
            self._begin(zone, what)
        self._moving[zone] += 1

    def _begin(self, zone: int, what: str) -> None:
        if self._alive(zone):
            return
        horns = (*self._units, zone) if self._shared[zone] else (zone,)
        if any(self._warned(number) for number in horns):
            self._cut_at[zone] = None
            return
        if self._shared[zone] and any(self._alive(unit) for unit in self._units):
            self._cut_at[zone] = None
            return
        self._auditor.violate(
            "motion_without_warning", f"{what} moves in zone {self._names[zone]} unannounced"
        )

    def _alive(self, zone: int) -> bool:
        """Whether people know that this zone moves: it has just moved, uncut since."""
        if self._cut_at[zone] is not None:
            return False
        return bool(self._moving[zone]) or self._kernel.now - self._last[zone] <= self._quiet_ms

    def _warned(self, zone: int) -> bool:
        now = self._kernel.now
        since, until = self._sounds_since[zone], self._warned_until[zone]
        if since is not None and now - since >= self._warn_ms:
            until = now
        cut = self._cut_at[zone]
        return until >= now - self._heard_ms and (cut is None or until >= cut)
