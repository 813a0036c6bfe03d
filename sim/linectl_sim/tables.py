"""The turntables: the last zone of the sower and the turn-out of harvest."""

from __future__ import annotations

from collections.abc import Callable

from linectl.site.machine import Turn, TurnOut
from linectl_sim.actuators import Actuator
from linectl_sim.belts import Axis, Joint, Stage, driven
from linectl_sim.bodies import Body
from linectl_sim.twoway import TwoWay
from linectl_sim.world import World

SQUARE = 0.01
"""Within this share of its way a table counts as standing at 0° or 90°."""


class Table:
    """A belt zone that turns: 0 is 0°, 1 is 90°. It stops where it is when not driven."""

    def __init__(
        self, world: World, name: str, facts: Turn | TurnOut, axis: Axis, stage: Stage
    ) -> None:
        self._world, self.name, self.facts = world, name, facts
        self.axis, self.stage = axis, stage
        self.entry, self.edge, self._whole = Joint(), Joint(), _Whole(self)
        length = world.site.file.gutter.length_mm
        rest = length if facts.kind == "turnout" else max(length, facts.exit_eye_mm)
        axis.add_spot(stage.start_mm, self.entry)
        axis.add_spot(stage.start_mm + rest, self._whole)
        axis.add_spot(stage.end_mm, self.edge)
        self.entry.entered = self._entering
        self.edge.entered = self._leaving
        self.edge.changed = self.show_centred
        self.laid: Callable[[], object] = lambda: None
        """Called when a carriage has brought a gutter over the table."""
        self.left: Callable[[Body], object] = lambda body: None
        self.arm_out: Callable[[], bool] = lambda: False
        self._stir = world.auditor.stir(facts.zone, f"{name} table")
        self.turning = Actuator(
            world.kernel, facts.turn_ms, facts.turn_ms, (), self._passed, self._stirred
        )
        self._i_at_0 = world.input(name, "at_0", True)
        self._i_at_90 = world.input(name, "at_90", False)
        self._i_centred = world.input(name, "centred", False)
        self.i_swept_clear = world.input(name, "swept_clear", True)
        TwoWay(world, name, ("to_90", "to_0"), self.turning, self.turning.drive)

    @property
    def square_90(self) -> bool:
        return self.turning.position() > 1 - SQUARE

    @property
    def square_0(self) -> bool:
        return self.turning.position() <= SQUARE and not self.turning.moving

    def body(self) -> Body | None:
        """The gutter lying wholly on the table."""
        for body in self.stage.bodies:
            if self._whole.count and not self.entry.count and not self.edge.count:
                return body
        return None

    def rest_mm(self) -> float:
        """Head position of a gutter that the carriage lays on the table."""
        length = self._world.site.file.gutter.length_mm
        return self.stage.start_mm + max(length + 5, self.facts.exit_eye_mm - 50)

    def show_centred(self) -> None:
        """Bring `centred` in line with the gutter on the table."""
        self._world.points.put(self._i_centred, self.body() is not None)

    def _stirred(self, moving: bool) -> None:
        self._stir(moving)
        if not moving:
            return
        points, violate = self._world.points, self._world.auditor.violate
        points.put(self._i_at_0, False)
        points.put(self._i_at_90, False)
        if self.entry.count or self.edge.count:
            violate("table_moves_across_joint", f"{self.name} turns with a gutter across its joint")
        if self.arm_out():
            violate("table_moves_with_gripper_out", f"{self.name} turns with a gripper in it")

    def _passed(self, mark: float, direction: int) -> None:
        if mark == 0.0:
            self._world.points.put(self._i_at_0, True)
        elif mark == 1.0:
            self._world.points.put(self._i_at_90, True)

    def _entering(self, body: Body) -> None:
        if driven(body) and not self.square_0:
            self._world.auditor.violate(
                "conveyed_onto_turned_table", f"{body} conveyed onto {self.name} not at 0°"
            )

    def _leaving(self, body: Body) -> None:
        if driven(body) and not self.square_0:
            self._world.auditor.violate(
                "conveyed_off_turned_table", f"{body} conveyed off {self.name} not at 0°"
            )
        self.left(body)


class _Whole:
    """Spot at which a gutter lies wholly on the table."""

    def __init__(self, table: Table) -> None:
        self._table = table
        self.count = 0

    def enter(self, body: Body) -> None:
        self.count += 1
        self._table.show_centred()

    def leave(self, body: Body) -> None:
        self.count -= 1
        self._table.show_centred()
