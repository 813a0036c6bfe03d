"""The whole machine put together from a site's facts: sower, lanes, harvest, hall, safety."""

from __future__ import annotations

from linectl.site.machine import (
    Carriage,
    Conveyor,
    Fill,
    Magazine,
    Packing,
    Seed,
    Station,
    Tamp,
    Turn,
    TurnOut,
    Water,
)
from linectl_sim.belts import Axis, Eye, Stage, driven
from linectl_sim.bodies import Body
from linectl_sim.carriages import Berth, CarriagePart
from linectl_sim.drives import Drive
from linectl_sim.filling import Filler, MagazinePart
from linectl_sim.hall import Hall
from linectl_sim.hidden import DOSER_SPREAD, Hidden
from linectl_sim.lanes import LanePart, Mouth, TableBerth, Tail, arms_over
from linectl_sim.safety import Safety
from linectl_sim.tables import Table
from linectl_sim.tamping import Tamper
from linectl_sim.watering import Seeder, Waterer
from linectl_sim.world import World

GRAB_MS = 1500
"""From a gutter lying on the turn-out until a hand in the hall reaches for it."""
SOWER = ("magazine", "fill", "tamp", "water", "seed", "turn")


class Machine:
    """Builds every part, each bound to its points, and joins them."""

    def __init__(self, world: World) -> None:
        self.world = world
        self.hidden: Hidden | None = None
        site = world.site
        self.safety = Safety(world)
        length = site.file.gutter.length_mm
        self.sower = Axis(world.kernel, length)
        self.out_axis = Axis(world.kernel, length)
        self.stages: dict[str, Stage] = {}
        self.drives: dict[str, Drive] = {}
        self._build_sower()
        self._build_turnout()
        self.lanes = {lane.id: LanePart(world, lane) for lane in site.file.lanes}
        for lane in self.lanes.values():
            for row in lane.rows:
                row.lost = self.lose
        self._build_carriages()

    def _facts(self, kind: str) -> tuple[str, Station]:
        name = self.world.site.station(kind)
        return name, self.world.site.file.stations[name]

    def _add_stage(self, axis: Axis, name: str, facts: Conveyor) -> Stage:
        world = self.world
        stir = world.auditor.stir(facts.zone, f"{name} belt")
        drive = Drive(
            world.kernel, world.points, world.outputs, name, facts, stir,
            lambda: f"{name}.run" in world.backwards,
        )  # fmt: skip
        stage = axis.add_stage(name, drive)
        axis.add_spot(stage.start_mm + facts.entry_eye_mm, Eye(world.points, name, "entry_eye"))
        axis.add_spot(stage.start_mm + facts.exit_eye_mm, Eye(world.points, name, "exit_eye"))
        self.stages[name] = stage
        self.drives[name] = drive
        return stage

    def _build_sower(self) -> None:
        world, axis = self.world, self.sower
        for kind in SOWER:
            name, facts = self._facts(kind)
            assert isinstance(facts, Conveyor)
            stage = self._add_stage(axis, name, facts)
            if isinstance(facts, Magazine):
                self.magazine = MagazinePart(world, name, facts, axis, stage)
            elif isinstance(facts, Fill):
                self.filler = Filler(world, name, facts)
                axis.add_spot(stage.start_mm + facts.tool_mm, self.filler.outlet)
            elif isinstance(facts, Tamp):
                self.tamper = Tamper(world, name, facts, stage)
            elif isinstance(facts, Water):
                self.waterer = Waterer(world, name, facts)
                axis.add_spot(stage.start_mm + facts.tool_mm, self.waterer.outlet)
            elif isinstance(facts, Seed):
                crop = world.site.file.sowing.crop
                self.seeder = Seeder(world, name, facts, stage.drive, crop)
                axis.add_spot(stage.start_mm + facts.tool_mm, self.seeder.outlet)
            elif isinstance(facts, Turn):
                self.turn = Table(world, name, facts, axis, stage)
        axis.close()
        axis.doubled = self._doubled
        axis.fallen = self._fallen
        axis.arrived = self._arrived
        tamp = self.tamper.stage.drive
        stirred = tamp.stirred
        tamper = self.tamper

        def tamp_stirred(moving: bool) -> None:
            stirred(moving)
            tamper.belt_stirs(moving)

        tamp.stirred = tamp_stirred

    def _build_turnout(self) -> None:
        world, axis = self.world, self.out_axis
        name, facts = self._facts("turnout")
        assert isinstance(facts, TurnOut)
        stage = self._add_stage(axis, name, facts)
        self.turnout = Table(world, name, facts, axis, stage)
        axis.close()
        axis.doubled = self._doubled
        hall_name, hall_facts = self._facts("packing")
        assert isinstance(hall_facts, Packing)
        self.hall = Hall(world, hall_name, hall_facts)
        self.turnout.left = self.hall.arriving
        self.turnout.laid = self.look_at_turnout
        self.turnout.edge.passed = self._over_edge
        self.hall.came = self._came_to_packing
        self.hall.washed = self.magazine.bring

    def _over_edge(self, body: Body) -> None:
        if body.stage is not None and body.mark >= self.out_axis.last_mark:
            self.out_axis.take(body)
            self.hall.took(body)

    def _build_carriages(self) -> None:
        world = self.world
        infeed_name, infeed = self._facts("infeed")
        outfeed_name, outfeed = self._facts("outfeed")
        assert isinstance(infeed, Carriage) and isinstance(outfeed, Carriage)
        lanes = list(self.lanes.values())
        mouths = [Mouth(world, lane, self._indexed, self._unindexed) for lane in lanes]
        tails = [Tail(world, lane, self._unejected, self._ejected) for lane in lanes]
        table_in = TableBerth(world, self.turn, infeed.home_mm)
        table_out = TableBerth(world, self.turnout, outfeed.home_mm)
        berths_in: list[Berth] = [table_in, *mouths]
        berths_out: list[Berth] = [table_out, *tails]
        self.infeed = CarriagePart(world, infeed_name, infeed, berths_in)
        self.outfeed = CarriagePart(world, outfeed_name, outfeed, berths_out)
        self.carriages = {infeed_name: self.infeed, outfeed_name: self.outfeed}
        self.turn.arm_out = lambda: self.infeed.arm_out_at(table_in)
        self.turnout.arm_out = lambda: self.outfeed.arm_out_at(table_out)
        pairs: list[tuple[CarriagePart, Mouth]] = [(self.infeed, mouth) for mouth in mouths]
        pairs += [(self.outfeed, tail) for tail in tails]
        for lane in lanes:
            for row in lane.rows:
                row.arms_out = arms_over(row, pairs)
        for carriage in self.carriages.values():
            carriage.dropped = self._dropped

    def is_truly(self, hidden: Hidden) -> None:
        """Doser, water, meter, drum, encoders and motors are from now on what `hidden` says."""
        self.hidden = hidden
        self.filler.is_truly(hidden.doser, DOSER_SPREAD)
        self.waterer.is_truly(hidden.water, hidden.pulses_per_l)
        self.seeder.is_truly(hidden.drum, hidden.need)
        for name, encoder in hidden.encoders.items():
            self.carriages[name].encoder = encoder
            self.carriages[name].show_position()
        for tag, motor in hidden.motors.items():
            self.world.outputs.is_truly(self.world.points.by_tag[tag], motor)

    def _doubled(self, stage: Stage, body: Body, driven: bool) -> None:
        self.magazine.show_single()
        fed_two = stage.name == self.magazine.name and self.magazine.fed_two
        if driven and not fed_two:
            self.world.auditor.violate(
                "two_in_one_place", f"{body} comes into {stage.name} beside {stage.bodies[0]}"
            )

    def _arrived(self, stage: Stage, body: Body, driven: bool) -> None:
        self.magazine.show_single()
        self.world.auditor.arrived(body, stage.name, driven)

    def _indexed(self, body: Body, lane: LanePart) -> None:
        body.indexed_at = self.world.kernel.now
        lane.indexed += 1
        self.world.auditor.indexed(body, lane)

    def _unindexed(self, body: Body, lane: LanePart) -> None:
        body.indexed_at = None
        lane.indexed -= 1

    def _ejected(self, body: Body, lane: LanePart) -> None:
        body.ejected_at = self.world.kernel.now
        lane.ejected += 1
        self.world.auditor.ejected(body, lane)

    def _unejected(self, body: Body, lane: LanePart) -> None:
        body.ejected_at = None
        lane.ejected -= 1

    def look_at_turnout(self) -> None:
        """People who grab a gutter from the turn-out without a word (fault of the hall)."""
        if self.hall.fault == "takes_without_handshake" and self.turnout.stage.bodies:
            self.world.kernel.after(GRAB_MS, self._grab)

    def _grab(self) -> None:
        table = self.turnout
        body = table.body()
        if self.hall.fault != "takes_without_handshake" or body is None or self.hall.body:
            return
        if self.outfeed.held_body is body or not table.square_0:
            self.world.kernel.after(GRAB_MS, self._grab)
            return
        self.hall.fault = ""
        body.handled = True
        self.out_axis.take(body)
        table.show_centred()
        self.hall.took(body, grabbed=True)

    def _came_to_packing(self, body: Body) -> None:
        body.gone = "packing"

    def _fallen(self, body: Body) -> None:
        if driven(body):
            self.lose(body, "it ran off the end of the sower")
        else:
            self.sower.take(body)
            self._dropped(body, by_fault=True)

    def _dropped(self, body: Body, by_fault: bool) -> None:
        if by_fault:
            body.gone, body.gone_from, body.handled = "removed", "carriage", True
        else:
            self.lose(body, "a gripper opened over nothing")

    def lose(self, body: Body, why: str, place: str = "") -> None:
        """A gutter falls, is crushed, or lies where none belongs."""
        if body.stage is not None:
            axis = self.out_axis if body.stage is self.turnout.stage else self.sower
            axis.take(body)
        body.gone, body.gone_from = "lost", place
        self.world.auditor.violate("body_lost", f"{body}: {why}")
