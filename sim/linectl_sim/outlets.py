"""What lets something down on the gutter beneath: doser, nozzle bar, drum.

Amounts are settled when something changes (open, rate, a gutter comes or goes), each over the
exact stretch since the last change, and go to the gutter that lay beneath, to the vessel that
somebody holds there, or to the floor.
"""

from __future__ import annotations

from collections.abc import Callable

from linectl_sim.bodies import Body
from linectl_sim.singulation import Stretch, laid
from linectl_sim.world import World

Given = Callable[[Body, float], object]
SPILT = 0.25
"""Share of a run that misses the vessel when it is spilt."""


class Vessel:
    """What has fallen into it: an amount in the outlet's own unit, and under a drum its cells."""

    def __init__(self) -> None:
        self.content = 0.0
        self.sown: list[Stretch] = []


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
        self.vessel: Vessel | None = None
        self.cells: Callable[[float], Stretch] | None = None
        """Of a drum: the cells in which so many seeds fell just now."""
        self._spills = False
        self._caught = 1.0
        """Share of the present run that the vessel catches."""
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

    def put_vessel(self, vessel: Vessel | None) -> None:
        """Somebody holds a vessel beneath, another one, or none any more."""
        self.settle()
        self.vessel = vessel

    def spill(self) -> None:
        """A part of the next run will miss the vessel."""
        self._spills = True

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
        elif self.vessel is not None:
            self._catch(self.vessel, amount * self._caught)
        elif self.commanded and not self._world.by_hand(self._world.zone_of(self._name)):
            self._world.auditor.violate(
                "released_without_gutter", f"{self._name} released with no gutter beneath"
            )

    def _catch(self, vessel: Vessel, amount: float) -> None:
        vessel.content += amount
        if self.cells is not None:
            laid(vessel.sown, self.cells(amount))

    def set_rate(self, rate: float, commanded: bool) -> None:
        """From now on it lets down at this rate (0: shut)."""
        self.settle()
        if rate > 0 and not self.rate > 0:
            self._caught = 1.0 - SPILT if self._spills else 1.0
            self._spills = False
        begins = rate > 0 and commanded and not (self.rate > 0 and self.commanded)
        ends = self.rate > 0 and not rate > 0
        self.rate = rate
        self.commanded = commanded
        for body in self.beneath:
            if begins:
                self._began(body)
            elif ends:
                self._ended(body)
