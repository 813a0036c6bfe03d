"""Two outputs that drive one motion out and back, and what must not be asked of them."""

from __future__ import annotations

from collections.abc import Callable

from linectl_sim.actuators import Actuator
from linectl_sim.kernel import LATE
from linectl_sim.world import World

STANDSTILL_MS = 100
"""A motion that was stopped on its way must have stood this long before it is reversed."""


class TwoWay:
    """Direction asked for by a pair of outputs: +1, −1, or 0 (neither, or both)."""

    def __init__(
        self,
        world: World,
        part: str,
        roles: tuple[str, str],
        actuator: Actuator,
        moved: Callable[[int], object],
    ) -> None:
        self._world, self._what = world, f"{part} {roles[0]}/{roles[1]}"
        self._actuator, self._moved = actuator, moved
        self._out = self._home = False
        self._last = 0
        self._stopped_at = -STANDSTILL_MS
        world.output(part, roles[0], self._on_out)
        world.output(part, roles[1], self._on_home)

    @property
    def direction(self) -> int:
        """What the outputs ask for now."""
        return int(self._out) - int(self._home)

    def _on_out(self, on: object) -> None:
        self._out = bool(on)
        self._change()

    def _on_home(self, on: object) -> None:
        self._home = bool(on)
        self._change()

    def _change(self) -> None:
        now = self._world.kernel.now
        if self._out and self._home:
            self._world.kernel.at(now, self._still_both, LATE)
        before = self._actuator.direction
        if before:
            self._last, self._stopped_at = before, now
        wanted = self.direction
        soon = now - self._stopped_at < STANDSTILL_MS
        midway = 0.0 < self._actuator.position() < 1.0
        if wanted and wanted == -self._last and soon and midway:
            self._world.auditor.violate(
                "reversal_without_standstill", f"{self._what} reversed while moving"
            )
        self._moved(wanted)

    def _still_both(self) -> None:
        if self._out and self._home:
            self._world.auditor.violate(
                "reversal_without_standstill", f"{self._what} both on at once"
            )
