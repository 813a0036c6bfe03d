"""What lets something down on the gutter beneath: doser, nozzle bar, drum.

Amounts are settled when something changes (open, rate, a gutter comes or goes), each over the
exact stretch since the last change, and go to the gutter that lay beneath or to the floor.
"""

from __future__ import annotations

from collections.abc import Callable

from linectl_sim.bodies import Body
from linectl_sim.world import World

Given = Callable[[Body, float], object]


class Outlet:
    """Lets down `rate` per unit of `progress` while open. Progress is time in ms for a doser or
    a valve, belt travel in mm for a geared drum."""

    def __init__(
        self,
        world: World,
        name: str,
        progress: Callable[[], float],
        given: Given,
        began: Callable[[Body], object],
        ended: Callable[[Body], object],
    ) -> None:
        self._world = world
        self._name = name
        self._progress = progress
        self._given = given
        self._began = began
        self._ended = ended
        self._since = 0.0
        self.beneath: list[Body] = []
        self.rate = 0.0
        self.total = 0.0
        """All that ever came out, on gutters or not."""
        self.commanded = False
        """False while it flows by a fault: then what falls beside is not the controller's."""

    def enter(self, body: Body) -> None:
        """Spot: a gutter's head has come beneath."""
        self.settle()
        self.beneath.append(body)
        if self.rate > 0 and self.commanded:
            self._began(body)

    def leave(self, body: Body) -> None:
        """Spot: its tail has passed."""
        self.settle()
        self.beneath.remove(body)
        self._ended(body)

    def present_total(self) -> float:
        """`total` as of now, without settling."""
        return self.total + self.rate * (self._progress() - self._since)

    def settle(self) -> None:
        """Book what came out since the last change."""
        here = self._progress()
        amount = self.rate * (here - self._since)
        self._since = here
        if amount <= 0:
            return
        self.total += amount
        if self.beneath:
            self._given(self.beneath[0], amount)
        elif self.commanded:
            self._world.auditor.violate(
                "released_without_gutter", f"{self._name} released with no gutter beneath"
            )

    def set_rate(self, rate: float, commanded: bool) -> None:
        """From now on it lets down at this rate (0: shut)."""
        self.settle()
        begins = rate > 0 and commanded and not (self.rate > 0 and self.commanded)
        ends = self.rate > 0 and not rate > 0
        self.rate = rate
        self.commanded = commanded
        for body in self.beneath:
            if begins:
                self._began(body)
            elif ends:
                self._ended(body)
