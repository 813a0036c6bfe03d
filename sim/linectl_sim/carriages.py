"""Infeed and outfeed carriage: travel along the lane ends, gripper arm, grip."""

from __future__ import annotations

from collections.abc import Callable
from typing import Protocol

from linectl.site.machine import Carriage
from linectl_sim.actuators import Actuator
from linectl_sim.bodies import Body
from linectl_sim.hidden import Encoder
from linectl_sim.kernel import Entry, cancel
from linectl_sim.travel import Travel
from linectl_sim.twoway import TwoWay
from linectl_sim.world import World

HALF = 0.5
"""Share of the arm's way at which a held gutter is on board rather than over lane or table."""
IN_REACH = 0.95
OFF_POSITION_MM = 60
BEYOND_MM = 150
"""End limit switches stand this far beyond the outermost place."""
STOPS_MM = 100
"""The end stops of the track stand this far beyond the limit switches."""


class Berth(Protocol):
    """A place that an arm reaches: a lane's mouth or tail, or a turntable."""

    name: str
    at_mm: float

    def body(self) -> Body | None: ...
    def open_to_arm(self) -> bool: ...
    def lay(self, body: Body, who: str) -> bool: ...
    def lift_off(self, body: Body) -> bool: ...
    def arm_moves(self, who: str) -> None: ...


class CarriagePart:
    """One carriage. A gutter in the grip lies at its berth while the arm is more than half out,
    and on board otherwise."""

    def __init__(self, world: World, name: str, facts: Carriage, berths: list[Berth]) -> None:
        self._world, self.name, self.facts = world, name, facts
        self._berths = berths
        kernel = world.kernel
        self._stir_travel = world.auditor.stir(facts.zone, f"{name} travel")
        self._stir_arm = world.auditor.stir(facts.zone, f"{name} arm")
        self.travel = Travel(
            kernel, facts.home_mm, facts.speed_mm_s, facts.ramp_ms, self._travel_stirred
        )
        ms = facts.gripper_ms
        self.arm = Actuator(kernel, ms, ms, (HALF,), self._arm_passed, self._arm_stirred)
        self.board: Body | None = None
        """A gutter on board, in the grip or loose."""
        self.closed = self.held = False
        self.berth: Berth | None = None
        """Where the held gutter lies while the arm is more than half out."""
        self.held_body: Body | None = None
        self.faults: set[str] = set()
        self._run = False
        self.encoder = Encoder()
        self._from = float(facts.home_mm)
        """Where it stood when it was told where to go."""
        self._grip_on = False
        self._gripping: Entry | None = None
        self.dropped: Callable[[Body, bool], object] = lambda body, by_fault: None
        self._low = min(facts.home_mm, *(b.at_mm for b in berths)) - BEYOND_MM
        self._high = max(facts.home_mm, *(b.at_mm for b in berths)) + BEYOND_MM
        self._bind(world, name)

    def _bind(self, world: World, name: str) -> None:
        self._i_position = world.input(name, "position", self.facts.home_mm)
        self._i_flag = world.input(name, "flag", True)
        self._i_running = world.input(name, "running", False)
        self._i_limits_ok = world.input(name, "limits_ok", True)
        self._i_on_board = world.input(name, "on_board", False)
        self._i_home = world.input(name, "gripper_home", True)
        self._i_out = world.input(name, "gripper_out", False)
        self._i_gripped = world.input(name, "gripped", False)
        self._i_healthy = [
            world.input(name, role, True) for role in ("drive_ok", "isolator_on", "remote")
        ]
        for index in self._i_healthy:
            world.points.watch(index, lambda _: self.go())
        world.output(name, "run", self._on_run)
        target = world.output(name, "target", self._on_target)
        self._target = float(world.outputs.effect[target])
        self._way = TwoWay(world, name, ("extend", "retract"), self.arm, lambda _: self._swing())
        grip = world.output(name, "grip", self._on_grip)
        self._grip_on = self.closed = bool(world.outputs.effect[grip])
        world.on_air(self.facts.zone, self._air)

    def apply_faults(self) -> None:
        """Bring the carriage in line with its faults, or with their repair."""
        self._world.points.put(self._i_healthy[0], "trips" not in self.faults)
        if "sticks_out" in self.faults:
            if self.arm.position() == 1.0:
                self.arm.stick(1.0)
        elif self.arm.jam is not None:
            self.arm.release()
        if not self.travel.moving:
            self.show_position()
        self.go()

    # travel

    def _on_run(self, on: object) -> None:
        self._run = bool(on)
        self.sets_out()

    def sets_out(self) -> None:
        """It is told anew where to go, from where it is."""
        self._from = self.travel.state()[0]
        self.go()

    def _on_target(self, target: float) -> None:
        here, speed = self.travel.state()
        self._target = float(target)
        aim = self.encoder.true(self._target, self.facts.home_mm)
        if speed and self._run and (aim - here) * speed < 0:
            self._world.auditor.violate(
                "reversal_without_standstill", f"{self.name} sent back while travelling"
            )
        self.sets_out()

    @property
    def backwards(self) -> bool:
        """Whether its motor turns the wrong way: it runs from its target as far as it should to."""
        return f"{self.name}.run" in self._world.backwards

    def go(self) -> None:
        """Travel, or stop, as the drive is told and can."""
        truth = self._world.points.truth
        healthy = all(truth[index] for index in self._i_healthy) and "no_start" not in self.faults
        if self._run and healthy:
            aim = self.encoder.true(self._target, self.facts.home_mm)
            aim = 2 * self._from - aim if self.backwards else aim
            self.travel.go(min(max(aim, self._low - STOPS_MM), self._high + STOPS_MM))
        else:
            self.travel.stop()

    def _travel_stirred(self, moving: bool) -> None:
        self._stir_travel(moving)
        points = self._world.points
        points.put(self._i_running, moving)
        if moving:
            points.put(self._i_flag, False)
            if self.arm.moving or self.arm.position() > 0:
                self._world.auditor.violate(
                    "carriage_moves_with_gripper_out", f"{self.name} travels, gripper not home"
                )
            return
        if "off_position" in self.faults:
            self.travel.place(self.travel.state()[0] + OFF_POSITION_MM)
        self.show_position()

    def show_position(self) -> None:
        """Bring position, flag and limits in line with where it stands."""
        here, _ = self.travel.state()
        points = self._world.points
        points.put(self._i_position, round(self.encoder.told(here, self.facts.home_mm)))
        points.put(self._i_flag, self.at() is not None and "flag_missed" not in self.faults)
        points.put(self._i_limits_ok, self._low <= here <= self._high)

    def at(self) -> Berth | None:
        """The berth in front of which it stands, within tolerance."""
        here, _ = self.travel.state()
        for berth in self._berths:
            if abs(berth.at_mm - here) <= self.facts.tolerance_mm:
                return berth
        return None

    def arm_out_at(self, berth: Berth) -> bool:
        """Whether its arm is, or moves, out of home in front of that berth."""
        return (self.arm.moving or self.arm.position() > 0) and self.at() is berth

    # arm

    def _air(self, present: bool) -> None:
        self._swing()
        self._grip()

    def _swing(self) -> None:
        air = self._world.air[self.facts.zone]
        self.arm.drive(self._way.direction if air else 0)

    def _arm_stirred(self, moving: bool) -> None:
        self._stir_arm(moving)
        if not moving:
            return
        points = self._world.points
        points.put(self._i_home, False)
        points.put(self._i_out, False)
        if self.travel.moving:
            self._world.auditor.violate(
                "carriage_moves_with_gripper_out", f"{self.name} gripper leaves home in travel"
            )
        berth = self.at()
        if berth is not None:
            berth.arm_moves(self.name)

    def _arm_passed(self, mark: float, direction: int) -> None:
        points = self._world.points
        if mark == 0.0:
            points.put(self._i_home, True)
        elif mark == 1.0:
            points.put(self._i_out, True)
            self.apply_faults()
        elif direction > 0:
            self._reach_out()
        else:
            self._draw_in()

    def _reach_out(self) -> None:
        """Half-way out: a held gutter now lies at the berth in front, if there is room."""
        if not self.held or self.board is None:
            return
        body, berth = self.board, self.at()
        self.held_body = body
        self.board = None
        self._world.points.put(self._i_on_board, False)
        if berth is not None and berth.lay(body, self.name):
            self.berth = berth

    def _draw_in(self) -> None:
        """Half-way home: a held gutter is on board."""
        body = self.held_body
        if not self.held or body is None:
            return
        if body.gone or (self.berth is not None and not self.berth.lift_off(body)):
            self._let_go()
            return
        self.berth = self.held_body = None
        self.board = body
        self._world.points.put(self._i_on_board, True)
        if "drops" in self.faults:
            self.faults.discard("drops")
            self.lose(by_fault=True)

    # grip

    def _on_grip(self, on: object) -> None:
        self._grip_on = bool(on)
        self._grip()

    def _grip(self) -> None:
        cancel(self._gripping)
        self._gripping = None
        if self._world.air[self.facts.zone] and self._grip_on != self.closed:
            ms = self.facts.grip_ms
            act = self._close if self._grip_on else self._release
            self._gripping = self._world.kernel.after(ms if self._grip_on else ms // 2, act)

    def _close(self) -> None:
        self.closed = True
        if "grips_nothing" in self.faults:
            return
        if self.arm.position() < HALF:
            if self.board is not None:
                self._hold(self.board)
            return
        berth = self.at()
        body = berth.body() if berth is not None and berth.open_to_arm() else None
        if self.arm.position() >= IN_REACH and body is not None:
            self.berth = berth
            self.held_body = body
            self._hold(body)

    def _hold(self, body: Body) -> None:
        self.held = True
        self._world.points.put(self._i_gripped, True)

    def _release(self) -> None:
        self.closed = False
        if not self.held:
            return
        self.held = False
        self._world.points.put(self._i_gripped, False)
        body, berth = self.held_body, self.berth
        self.held_body = self.berth = None
        if body is None:
            return  # loose on board
        if berth is None:
            self.dropped(body, False)

    def carried(self) -> Body | None:
        """A gutter on board (one over lane or table while the arm is out lies there)."""
        if self.board is not None:
            return self.board
        body = self.held_body if self.berth is None else None
        return None if body is None or body.gone else body

    def lose(self, by_fault: bool) -> Body | None:
        """The gutter leaves the carriage (dropped, or taken by hand)."""
        body = self.carried()
        if body is None:
            return None
        self.board = None
        self._world.points.put(self._i_on_board, False)
        self._let_go()
        if by_fault:
            self.dropped(body, True)
        return body

    def _let_go(self) -> None:
        """There is nothing in the grip any more."""
        self.held_body = self.berth = None
        self.held = False
        self._world.points.put(self._i_gripped, False)

    def load(self, body: Body) -> None:
        """A person lays a gutter on board."""
        self.board = body
        self._world.points.put(self._i_on_board, True)
