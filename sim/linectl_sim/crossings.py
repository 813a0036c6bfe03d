"""A gutter on its way across one joint, from a run or a deck to the next."""

from __future__ import annotations

from collections.abc import Callable

from linectl_sim.actuators import Actuator
from linectl_sim.bodies import Body
from linectl_sim.rows import Row
from linectl_sim.world import World

ACROSS, OFF_SOURCE, OVER = 0.2, 0.3, 0.8
"""Shares of a crossing: joint no longer clear; source eye free; joint clear and arrived."""


class Crossing:
    """A gutter being carried across one joint."""

    def __init__(
        self,
        world: World,
        belt_ms: int,
        i_clear: int,
        peek: Callable[[], Body | None],
        take: Callable[[], object],
        taken: Callable[[], bool],
        deliver: Callable[[Body], object],
        name: str,
    ) -> None:
        self._world, self._i_clear, self.name = world, i_clear, name
        self._peek, self._take, self._taken, self._deliver = peek, take, taken, deliver
        self._way = Actuator(
            world.kernel, belt_ms, belt_ms, (ACROSS, OFF_SOURCE, OVER), self._passed
        )
        self.body: Body | None = None
        """The gutter on its way, from its start until it has arrived."""
        self.off_source = False
        self._on = False

    @property
    def busy(self) -> bool:
        """Whether a gutter has begun to cross and has not arrived."""
        return self.body is not None and not self.body.gone and self._way.position() > 0

    @property
    def across(self) -> bool:
        """Whether a gutter lies across the joint."""
        return self.busy and self._way.position() >= ACROSS

    def drive(self, on: bool) -> None:
        """The belt runs (at the right level), or not."""
        self._on = on
        if self.body is not None and self.body.gone:
            self._clear()
        if not on:
            self._way.drive(0)
        elif self.body is not None:
            self._way.drive(1)
        else:
            self._start()

    def poke(self) -> None:
        """Something may have come before the joint: take it if the belt runs."""
        if self._on and self.body is None:
            self._start()

    def _start(self) -> None:
        body = self._peek()
        if body is None:
            return
        self.body = body
        self._way.drive(1)

    def _passed(self, mark: float, direction: int) -> None:
        points = self._world.points
        body = self.body
        if body is None:
            return
        if body.gone:
            self._clear()
            self.poke()
        elif mark == ACROSS:
            points.put(self._i_clear, False)
            if self._taken():
                self._world.auditor.violate(
                    "transfer_onto_occupied", f"{self.name} carries {body} onto a taken place"
                )
        elif mark == OFF_SOURCE:
            self.off_source = True
            self._take()
        elif mark == OVER:
            self._clear()
            self._deliver(body)
            self.poke()

    def _clear(self) -> None:
        self.body = None
        self.off_source = False
        self._way.place(0.0)
        self._world.points.put(self._i_clear, True)

    def remove(self) -> Body | None:
        """A person takes the gutter that is on its way."""
        body = self.body
        if body is not None:
            if not self.off_source:
                self._take()
            self._clear()
        return body


def vacate(row: Row) -> None:
    """The gutter has left the last slot of a run."""
    row.slots[-1] = None
    row.show()


def occupy(row: Row, body: Body) -> None:
    """A gutter has come into the first slot of a run."""
    if row.slots[0] is not None:
        row.lost(body, f"no room for it in the first slot of {row.name}", row.name)
        return
    row.slots[0] = body
    row.show()
