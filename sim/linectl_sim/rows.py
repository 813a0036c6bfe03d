"""A run of a lane: one rigid row of slots and the stroke that moves it by one slot."""

from __future__ import annotations

from collections import deque
from collections.abc import Callable

from linectl.site.machine import Run
from linectl_sim.actuators import Actuator
from linectl_sim.bodies import Body
from linectl_sim.twoway import TwoWay
from linectl_sim.world import World

FIRST_DROPS = 0.2
LAST_RISES = 0.8
SHORT_AT = 0.85
OVERRUN = 0.3
OUT_OF_REACH = 0.1


class Row:
    """`slots[0]` lies toward the mouth. `shift` is how far the whole row has moved on from its
    slots, as a share of a pitch: fingers take it along outward and leave it when they go back."""

    def __init__(self, world: World, name: str, facts: Run, zone: str) -> None:
        self._world, self.name, self.facts = world, name, facts
        self.slots: deque[Body | None] = deque([None] * facts.slots)
        self._shift = 0.0
        self._overran = False
        self.strokes = 0
        """Strokes completed."""
        self.fault = ""
        self.arms_out: Callable[[], str] = lambda: ""
        """Name of a carriage whose gripper is out over this row, or empty."""
        self.joints_busy: Callable[[], bool] = lambda: False
        self.lost: Callable[[Body, str, str], object] = lambda body, why, place: None
        self.came_last: Callable[[], object] = lambda: None
        """Called when the row stands with a new gutter in its last slot."""
        self._stir = world.auditor.stir(zone, f"{name} stroke")
        self.stroke = Actuator(
            world.kernel,
            facts.stroke_ms,
            facts.back_ms,
            (FIRST_DROPS, LAST_RISES),
            self._passed,
            self._stir,
        )
        self._way = TwoWay(world, name, ("stroke", "back"), self.stroke, self._drive)
        self._i_home = world.input(name, "home", True)
        self._i_forward = world.input(name, "forward", False)
        self._i_first = world.input(name, "first_eye", False)
        self._i_last = world.input(name, "last_eye", False)
        self.i_overload_ok = world.input(name, "overload_ok", True)

    def _drive(self, direction: int) -> None:
        if self.stroke.direction > 0:
            self._shift = max(self._shift, self.stroke.position())
        if self.fault == "one_run_only":
            return
        was = self.stroke.moving
        self.stroke.drive(direction)
        if not self.stroke.moving:
            return
        points = self._world.points
        points.put(self._i_home, False)
        points.put(self._i_forward, False)
        if direction > 0 and not was:
            self._check()
        self.apply_fault()

    def _check(self) -> None:
        """A stroke begins: what must not be in its way?"""
        violate = self._world.auditor.violate
        self._world.auditor.stroked(self.name)
        if self.slots[-1] is not None:
            violate("stroke_into_occupied_end", f"{self.name} strokes with its last slot taken")
        if self.joints_busy():
            violate("stroke_across_joint", f"{self.name} strokes with a gutter across a joint")
        arm = self.arms_out()
        if arm:
            violate("stroke_with_gripper_out", f"{self.name} strokes with the {arm} gripper out")

    def _passed(self, mark: float, direction: int) -> None:
        points = self._world.points
        if mark == 0.0:
            points.put(self._i_home, True)
        elif direction > 0 and mark == 1.0:
            self._shift_row()
            points.put(self._i_forward, True)
            self.came_last()
        elif direction > 0:
            if mark > self._shift:
                self._shift = mark
            self.show()

    def _shift_row(self) -> None:
        """The row has moved one slot."""
        slots = self.slots
        self.strokes += 1
        out = slots.pop()
        slots.appendleft(None)
        self._shift = 0.0
        if self.fault == "overruns":
            self.fault = ""
            self._overran = True
            self._shift = OVERRUN
        if out is not None:
            self.lost(out, f"{self.name} pushed it out of its last slot", self.name)
        self.show()

    def apply_fault(self) -> None:
        """Bring the stroke in line with the fault."""
        if self.fault == "stroke_short" and self.stroke.direction > 0:
            self.stroke.stick(SHORT_AT)
        elif self.fault == "one_run_only" and self.stroke.moving:
            if self.stroke.direction > 0:  # going back, the fingers leave the row where it is
                self._shift = max(self._shift, self.stroke.position())
            self.stroke.drive(0)

    def set_straight(self) -> None:
        """The fault is put right: the drive is free; a row that overran is back on its slots."""
        if self.fault == "overruns" or self._overran:
            self._shift = 0.0
        self._overran = False
        self.fault = ""
        self.stroke.release()
        self.show()
        self._drive(self._way.direction)

    def show(self) -> None:
        """Bring both eyes in line with the row."""
        slots, shift, points = self.slots, self._shift, self._world.points
        points.put(self._i_first, slots[0] is not None and shift < FIRST_DROPS)
        points.put(
            self._i_last,
            (slots[-1] is not None and shift < FIRST_DROPS)
            or (slots[-2] is not None and shift >= LAST_RISES),
        )

    @property
    def straight(self) -> bool:
        """Whether the row stands on its slots, so that an arm or belt can take from it."""
        return self._shift < OUT_OF_REACH and self.stroke.direction <= 0
