"""The faults the plant can play, by tag or part; names and parts as linectl.site.faults lists them.

What must be survived: each fault alone without any violation. A fault acts on bodies, devices
or sensors only; what moves or falls because of it is excused from the controller. Faults of
actuators (stuck, backwards) are not among those: they are there for checkout to find.
"""

from __future__ import annotations

from collections.abc import Callable, Generator, Iterable, Sequence
from difflib import get_close_matches
from functools import partial

from linectl.errors import UsageError
from linectl.site.faults import fault_kinds, supply_groups
from linectl.site.hardware import Point
from linectl_sim.actuator_faults import ActuatorFaults
from linectl_sim.belts import Stage
from linectl_sim.carriages import CarriagePart
from linectl_sim.drives import Drive
from linectl_sim.joints import Lift
from linectl_sim.machine import Machine
from linectl_sim.rows import Row

Act = Callable[[], object]
SKEW_SHARE = 0.15
"""How much longer a skewed gutter looks, as a share of its length."""
FOREVER_MS = 10**10


class Faults:
    """Starts faults and repairs them. Every kind has what it does and what puts it right."""

    def __init__(self, machine: Machine) -> None:
        self._machine = machine
        self._world = machine.world
        self._actuators = ActuatorFaults(machine)
        self._kinds = fault_kinds(machine.world.site) | self._actuators.kinds
        self._groups = supply_groups(machine.world.site.points)
        self._random = machine.world.stream("faults")
        self._active: dict[tuple[str, str], Act] = {}
        self._rows = {row.name: row for lane in machine.lanes.values() for row in lane.rows}
        self._lifts = {
            link.name: link
            for lane in machine.lanes.values()
            for link in lane.links
            if isinstance(link, Lift)
        }

    def start(self, part: str, kind: str) -> None:
        """A fault befalls a part now. UsageError for a part or kind the site does not have."""
        kinds = self._kinds.get(part)
        if kinds is None:
            raise UsageError(f"nothing can fail at {part!r}{nearest(part, self._kinds)}")
        if kind not in kinds:
            raise UsageError(f"{part} has no fault {kind!r}{nearest(kind, kinds)}")
        if (part, kind) not in self._active:
            self._active[part, kind] = self._begin(part, kind)

    def repair(self, part: str, kind: str | None = None) -> None:
        """One fault of a part is put right, or all of them."""
        if part not in self._kinds:
            raise UsageError(f"nothing can fail at {part!r}{nearest(part, self._kinds)}")
        for key in [key for key in self._active if key[0] == part and kind in (None, key[1])]:
            self._active.pop(key)()

    def _begin(self, part: str, kind: str) -> Act:
        """Start a fault; returns what puts it right."""
        machine = self._machine
        if part in self._actuators.kinds:
            return self._actuators.begin(part, kind)
        if part in self._world.points.by_tag:
            return self._sensor(part, kind)
        if part in machine.carriages:
            return self._carriage(machine.carriages[part], kind)
        if part in machine.drives and kind in ("no_start", "drifts", "trips", "skewed"):
            return self._belt(machine.stages[part], machine.drives[part], kind)
        if part in self._rows:
            return _row(self._rows[part], kind)
        if part in self._lifts:
            return self._lift(self._lifts[part], kind)
        if part in machine.safety.zones:
            return self._air(part)
        if part in self._world.site.file.devices:
            return self._device(part, kind)
        if part in self._groups:
            return self._supply(self._groups[part])
        return self._station(part, kind)

    # sensors

    def _sensor(self, tag: str, kind: str) -> Act:
        points = self._world.points
        index = points.by_tag[tag]
        if kind != "flicker":
            points.override(index, kind == "stuck_on")
            return partial(points.override, index, None)
        self._world.kernel.process(self._flicker(tag, index))
        return partial(points.override, index, None)

    def _flicker(self, tag: str, index: int) -> Generator[int, None, None]:
        """The eye sees what is not there, and not what is, for moments."""
        points = self._world.points
        while True:
            points.override(index, not points.truth[index])
            yield self._random.randint(20, 120)
            if (tag, "flicker") not in self._active:
                return
            points.override(index, None)
            yield self._random.randint(150, 900)
            if (tag, "flicker") not in self._active:
                return

    # belts

    def _belt(self, stage: Stage, drive: Drive, kind: str) -> Act:
        if kind == "trips":
            drive.trip(True)
            return partial(drive.trip, False)
        if kind == "skewed":
            length = self._world.site.file.gutter.length_mm
            stage.skew(SKEW_SHARE * length)
            return partial(stage.skew, 0.0)
        if kind == "drifts":
            self._world.auditor.excused.add(f"{stage.name} belt")
        drive.fault = kind
        drive.settle()

        def right() -> None:
            drive.fault = ""
            drive.settle()

        return right

    # carriages

    def _carriage(self, carriage: CarriagePart, kind: str) -> Act:
        carriage.faults.add(kind)
        if kind == "drifts":
            self._world.kernel.process(self._drift(carriage))
        carriage.apply_faults()

        def right() -> None:
            carriage.faults.discard(kind)
            carriage.apply_faults()

        return right

    def _drift(self, carriage: CarriagePart) -> Generator[int, None, None]:
        """The standing carriage creeps while its arm is home."""
        while "drifts" in carriage.faults:
            yield 500
            if not carriage.travel.moving and carriage.arm.position() == 0.0:
                carriage.travel.place(carriage.travel.state()[0] + 4)
                carriage.show_position()

    # lanes

    def _lift(self, lift: Lift, kind: str) -> Act:
        if kind == "stops_half_way":
            lift.height.stick(0.5)
            return lift.height.release
        self._world.auditor.excused.add(f"{lift.name} lift")
        self._world.kernel.process(self._sink(lift))
        return lambda: None

    def _sink(self, lift: Lift) -> Generator[int, None, None]:
        """The standing deck creeps off its level, again and again."""
        while True:
            yield 3000
            if (lift.name, "drifts") not in self._active:
                return
            lift.sink()

    # zones and devices

    def _air(self, zone: str) -> Act:
        safety = self._machine.safety.zones[zone]
        safety.air_lost = True
        safety.supply()

        def right() -> None:
            safety.air_lost = False
            safety.supply()

        return right

    def _device(self, device: str, kind: str) -> Act:
        safety = self._machine.safety
        if kind == "silent":
            safety.silence(device, FOREVER_MS)
            return partial(safety.speak, device)
        if kind == "late":
            self._world.kernel.process(self._lag(device))
            return partial(safety.speak, device)
        return self._supply([p for p in self._world.site.points if p.device == device])

    def _lag(self, device: str) -> Generator[int, None, None]:
        """Answers come too late for a while, then in time, again and again; never for as long
        as makes the device silent."""
        safety = self._machine.safety
        limit_ms = self._world.site.file.devices[device].silent_after_ms
        while True:
            dead_ms = self._random.randint(limit_ms // 5, limit_ms // 2)
            safety.lag(device, dead_ms)
            yield dead_ms
            yield self._random.randint(limit_ms // 3, limit_ms)
            if (device, "late") not in self._active:
                return

    def _supply(self, mine: Sequence[Point]) -> Act:
        """The card's 24 V is gone: its Modbus side answers, its inputs read 0, outputs are dead."""
        points, outputs = self._world.points, self._world.outputs
        inputs = [point.index for point in mine if point.direction == "in"]
        dead = [point.index for point in mine if point.direction == "out"]

        def switch(lost: bool) -> None:
            for index in inputs:
                points.kill(index, lost)
            outputs.cut(f"supply of {mine[0].tag}", dead, lost)

        switch(True)
        return partial(switch, False)

    # stations

    def _station(self, part: str, kind: str) -> Act:
        machine = self._machine
        if kind == "press_sticks":
            machine.tamper.press.stick(None)
            return machine.tamper.press.release
        if kind == "stops_at_45":
            table = machine.turn if part == machine.turn.name else machine.turnout
            table.turning.stick(0.5)
            return table.turning.release
        if part == machine.magazine.name:
            return self._magazine(kind)
        if part == machine.filler.name:
            machine.filler.run_dry()
            return self._then(machine.filler, machine.filler.refill)
        if part == machine.waterer.name:
            return self._water(kind)
        if part == machine.seeder.name:
            return self._seed(kind)
        return self._hall(kind)

    def _then(self, owner: object, act: Act) -> Act:
        def right() -> None:
            owner.fault = ""  # type: ignore[attr-defined]
            act()

        return right

    def _magazine(self, kind: str) -> Act:
        magazine = self._machine.magazine
        if kind == "empty":
            magazine.run_dry()
            return self._then(magazine, magazine.refill)
        magazine.fault = kind
        return self._then(magazine, lambda: None)

    def _water(self, kind: str) -> Act:
        waterer = self._machine.waterer
        if kind == "supply_lost":
            waterer.supply(False)
            return partial(waterer.supply, True)
        waterer.leaks = True
        waterer.settle()

        def tight() -> None:
            waterer.leaks = False
            waterer.settle()

        return tight

    def _seed(self, kind: str) -> Act:
        seeder = self._machine.seeder
        if kind == "seed_empty":
            seeder.run_dry()
            return self._then(seeder, seeder.refill)
        seeder.fault = kind
        seeder.show_vacuum()
        return self._then(seeder, seeder.show_vacuum)

    def _hall(self, kind: str) -> Act:
        hall = self._machine.hall
        hall.fault = kind
        if kind == "takes_without_handshake":
            self._machine.look_at_turnout()
        return self._then(hall, hall.settle_handshake)


def _row(row: Row, kind: str) -> Act:
    row.fault = kind
    row.apply_fault()
    return row.set_straight


def nearest(name: str, valid: Iterable[str]) -> str:
    """`; did you mean …?` with the nearest valid name, or a list of some."""
    names = [str(item) for item in valid]
    close = get_close_matches(name, names, n=1, cutoff=0.4)
    if close:
        return f"; did you mean {close[0]!r}?"
    return f"; valid: {', '.join(sorted(names)[:12])}"
