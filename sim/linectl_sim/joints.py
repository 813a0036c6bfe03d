"""What joins a run to the next: a belt across a level joint, or a lift with a belt on its deck."""

from __future__ import annotations

from linectl.site.machine import Transfer
from linectl_sim.actuators import Actuator
from linectl_sim.bodies import Body
from linectl_sim.crossings import Crossing, occupy, vacate
from linectl_sim.kernel import Entry, cancel
from linectl_sim.rows import Row
from linectl_sim.twoway import TwoWay
from linectl_sim.world import World

BRAKE_MS = 100
SINK = 0.05


class LevelJoint:
    """One belt from the last slot of a run to the first of the next."""

    def __init__(
        self, world: World, name: str, facts: Transfer, zone: str, source: Row, dest: Row
    ) -> None:
        self._world = world
        self.name, self.deck = name, None
        self._on = False
        self._stir = world.auditor.stir(zone, f"{name} belt")
        self._crossing = Crossing(
            world,
            facts.belt_ms,
            world.input(name, "joint_clear", True),
            lambda: source.slots[-1] if source.straight else None,
            lambda: vacate(source),
            lambda: dest.slots[0] is not None,
            lambda body: occupy(dest, body),
            name,
        )
        self.crossings = (self._crossing,)
        world.output(name, "belt", self._belt)

    def _belt(self, on: object) -> None:
        self._on = bool(on)
        self._stir(self._on)
        self.run_belt()

    def run_belt(self) -> None:
        """Drive the crossing as the belt turns: backwards, it carries nothing on."""
        self._crossing.drive(self._on and f"{self.name}.belt" not in self._world.backwards)

    def poke(self) -> None:
        """A gutter has come to the joint."""
        self._crossing.poke()

    def bodies(self) -> list[Body]:
        """The gutter between the two runs, if there is one."""
        body = self._crossing.body
        return [body] if body is not None and self._crossing.off_source else []

    def body(self) -> Body | None:
        """The gutter between the two runs."""
        return self._crossing.body if self._crossing.off_source else None


class Lift:
    """A deck between two levels: 0 is down, 1 is up. Brake off, then up or down."""

    def __init__(
        self, world: World, name: str, facts: Transfer, zone: str, source: Row, dest: Row
    ) -> None:
        self._world, self.name, self._source = world, name, source
        rises = facts.kind == "lift_up"
        self._source_level, self._dest_level = (0.0, 1.0) if rises else (1.0, 0.0)
        self.deck: Body | None = None
        self._belt_on = self._released = False
        self._braking: Entry | None = None
        self._stir = world.auditor.stir(zone, f"{name} lift")
        self._stir_belt = world.auditor.stir(zone, f"{name} belt")
        ms = facts.travel_ms
        self.height = Actuator(world.kernel, ms, ms, (), self._passed, self._stirred)
        low = world.input(name, "low_clear", True)
        high = world.input(name, "high_clear", True)
        self._i_up = world.input(name, "at_up", not rises)
        self._i_down = world.input(name, "at_down", rises)
        self.height.place(self._source_level)
        self.i_overtravel_ok = world.input(name, "overtravel_ok", True)
        self._i_on_board = world.input(name, "on_board", False)
        self._i_brake = world.input(name, "brake_released", False)
        self.load = Crossing(
            world,
            facts.belt_ms,
            low if rises else high,
            lambda: source.slots[-1] if source.straight else None,
            lambda: vacate(source),
            lambda: self.deck is not None,
            self._loaded,
            name,
        )
        self.unload = Crossing(
            world,
            facts.belt_ms,
            high if rises else low,
            lambda: self.deck,
            self._unloading,
            lambda: dest.slots[0] is not None,
            lambda body: occupy(dest, body),
            name,
        )
        self.crossings = (self.load, self.unload)
        self._way = TwoWay(world, name, ("up", "down"), self.height, lambda _: self._move())
        world.output(name, "brake", self._brake)
        world.output(name, "belt", self._belt)

    def bodies(self) -> list[Body]:
        """The gutter on the deck and any between deck and runs."""
        crossing = [c.body for c in self.crossings if c.off_source and c.body is not None]
        return crossing if self.deck is None else [self.deck, *crossing]

    def body(self) -> Body | None:
        """The gutter on the deck, or between deck and run."""
        found = self.bodies()
        return found[0] if found else None

    def poke(self) -> None:
        """A gutter has come to the last slot of the source run."""
        self.load.poke()

    def _brake(self, on: object) -> None:
        cancel(self._braking)
        if on:
            self._braking = self._world.kernel.after(BRAKE_MS, self._free)
        else:
            self._released = False
            self._world.points.put(self._i_brake, False)
            self._move()

    def _free(self) -> None:
        self._released = True
        self._world.points.put(self._i_brake, True)
        self._move()

    def _move(self) -> None:
        direction = self._way.direction if self._released else 0
        self.height.drive(direction)

    def _stirred(self, moving: bool) -> None:
        self._stir(moving)
        if not moving:
            return
        points = self._world.points
        points.put(self._i_up, False)
        points.put(self._i_down, False)
        self.run_belt()
        if any(crossing.across for crossing in self.crossings):
            self._world.auditor.violate(
                "lift_moves_across_joint", f"{self.name} moves with a gutter across its joint"
            )

    def _passed(self, mark: float, direction: int) -> None:
        self.show_level()
        self.run_belt()

    def show_level(self) -> None:
        """Bring the level switches in line with the deck."""
        height = self.height.position()
        self._world.points.put(self._i_up, height >= 1.0)
        self._world.points.put(self._i_down, height <= 0.0)

    def sink(self) -> None:
        """Fault: the standing deck creeps off its level."""
        height = self.height.position()
        if not self.height.moving:
            self.height.place(height - SINK if height >= SINK else height + SINK)
            self.show_level()

    def jog(self, up: bool) -> bool:
        """A person brings the standing deck to a level by the control at the machine, watching it.

        False: it moves, or something lies across a joint, which they see.
        """
        if self.height.moving or any(crossing.busy for crossing in self.crossings):
            return False
        self.height.place(1.0 if up else 0.0)
        self.show_level()
        self.run_belt()
        return True

    def _belt(self, on: object) -> None:
        self._belt_on = bool(on)
        self._stir_belt(self._belt_on)
        self.run_belt()

    def run_belt(self) -> None:
        """The belt works at the level where the deck stands."""
        height = self.height.position()
        turns = self._belt_on and f"{self.name}.belt" not in self._world.backwards
        standing = turns and not self.height.moving
        self.unload.drive(standing and height == self._dest_level and not self.load.busy)
        self.load.drive(standing and height == self._source_level and not self.unload.busy)

    def _loaded(self, body: Body) -> None:
        if self.deck is not None:
            self._source.lost(body, f"no room for it on {self.name}", self.name)
            return
        self.deck = body
        self._world.points.put(self._i_on_board, True)

    def _unloading(self) -> None:
        self.deck = None
        self._world.points.put(self._i_on_board, False)

    def take_from_deck(self) -> Body | None:
        """A person takes the gutter from the deck."""
        for crossing in self.crossings:
            if crossing.off_source:
                return crossing.remove()
        body = self.deck
        if body is not None:
            if self.unload.body is body:
                return self.unload.remove()
            self._unloading()
        return body

    def lay_on_deck(self, body: Body) -> None:
        """A person lays a gutter on the deck."""
        self._loaded(body)


Link = LevelJoint | Lift
