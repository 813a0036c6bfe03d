"""The tamper: clamp, press and side brush."""

from __future__ import annotations

from linectl.site.machine import Tamp
from linectl_sim.actuators import Actuator
from linectl_sim.belts import Stage
from linectl_sim.bodies import Body
from linectl_sim.kernel import Entry, cancel
from linectl_sim.world import World

CONTACT = 0.6
"""Share of the press's way at which it touches the substrate."""
SLIP_MM = 20
"""So far may a belt creep under the press before the press is off."""
SLIP_LOOK_MS = 100
DWELL_LEAST = 0.15
"""Share of `press_ms` that the press must stay down to have tamped."""


class Tamper:
    """Press and clamp need air: without it the press springs up and the clamp opens."""

    def __init__(self, world: World, name: str, facts: Tamp, stage: Stage) -> None:
        self._world, self.name, self._facts, self.stage = world, name, facts, stage
        way = max(1, round(0.4 * facts.press_ms))
        self._stir = world.auditor.stir(facts.zone, f"{name}.press")
        self.press = Actuator(world.kernel, way, way, (CONTACT,), self._passed, self._stirred)
        self._press_on = self._clamp_on = self._pressing = False
        self._down_since: int | None = None
        self._slip_from: float | None = None
        """Belt travel at which the pressed gutter began to slip."""
        self._pressed: Body | None = None
        self._clamping: Entry | None = None
        self._i_up = world.input(name, "press_up", True)
        self._i_down = world.input(name, "press_down", False)
        self._i_clamped = world.input(name, "clamped", False)
        world.output(name, "press", self._press)
        world.output(name, "clamp", self._clamp)
        world.follow(name, "brush", "brush_running")
        world.on_air(facts.zone, self._air)

    def _stirred(self, moving: bool) -> None:
        """Down is the controller's motion; up is the spring's, which nobody announces."""
        if moving and self.press.direction > 0:
            self._pressing = True
            self._world.points.put(self._i_up, False)
            self._stir(True)
        elif not moving and self._pressing:
            self._pressing = False
            self._stir(False)
        if moving and self.press.direction < 0 and self._world.points.truth[self._i_down]:
            self._lifted()

    def _press(self, on: object) -> None:
        self._press_on = bool(on)
        self._move()

    def _air(self, present: bool) -> None:
        self._move()
        self._hold(self._clamp_on)

    def _move(self) -> None:
        down = self._press_on and self._world.air[self._facts.zone]
        self.press.drive(1 if down else -1)

    def _lifted(self) -> None:
        """The press leaves its lower end: had it stayed long enough?"""
        self._world.points.put(self._i_down, False)
        body, since = self._pressed, self._down_since
        self._pressed = self._down_since = None
        if body is None or since is None:
            return
        if self._world.kernel.now - since >= DWELL_LEAST * self._facts.press_ms:
            body.tamped = True

    def _passed(self, mark: float, direction: int) -> None:
        points = self._world.points
        if mark == CONTACT and direction > 0:
            self._touch()
        elif mark == 1.0:
            points.put(self._i_down, True)
            self._down_since = self._world.kernel.now
            if self.body() is not None:
                self._pressed = self.body()
        elif mark == 0.0:
            points.put(self._i_up, True)

    def body(self) -> Body | None:
        """The gutter beneath the press."""
        return self.stage.bodies[0] if self.stage.bodies else None

    def _touch(self) -> None:
        violate = self._world.auditor.violate
        body = self.body()
        if body is None and self._world.by_hand(self._facts.zone):
            return
        if body is None:
            violate("press_on_nothing", f"{self.name}: press down with no gutter beneath")
            return
        if self.stage.drive.moving:
            violate("press_on_moving", f"{self.name}: press down on moving {body}")
        self._world.auditor.worked(body, self.name)
        if body.tamped:
            violate("processed_twice", f"{body} pressed twice")
        if body.water_ml > 0 or body.seeds > 0:
            violate("out_of_order", f"{body} pressed after watering")

    def belt_stirs(self, moving: bool) -> None:
        """The belt begins to move: a press on a gutter must be off it before it slips far."""
        if moving and self.press.position() >= CONTACT and self.body() is not None:
            self._slip_from = self.stage.drive.travel()
            self._world.kernel.after(SLIP_LOOK_MS, self._slipped)

    def _slipped(self) -> None:
        start = self._slip_from
        if start is None or self.body() is None or self.press.position() < CONTACT:
            return
        if self.stage.drive.travel() - start > SLIP_MM:
            self._slip_from = None
            self._world.auditor.violate(
                "press_on_moving", f"{self.name}: belt moves {self.body()} under the press"
            )
        elif self.stage.drive.moving:
            self._world.kernel.after(SLIP_LOOK_MS, self._slipped)

    def _clamp(self, on: object) -> None:
        self._clamp_on = bool(on)
        self._hold(self._clamp_on)

    def _hold(self, on: bool) -> None:
        cancel(self._clamping)
        if on and self._world.air[self._facts.zone]:
            self._clamping = self._world.kernel.after(self._facts.clamp_ms, self._closed)
        else:
            self._world.points.put(self._i_clamped, False)

    def _closed(self) -> None:
        self._world.points.put(self._i_clamped, bool(self.stage.bodies))
