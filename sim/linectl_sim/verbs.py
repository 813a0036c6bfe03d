"""The verbs of a scenario: what people do to the machine, and the faults that befall it."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from linectl.errors import UsageError
from linectl_sim.faults import Faults, nearest
from linectl_sim.field_verbs import FieldVerbs
from linectl_sim.hidden import draw
from linectl_sim.joints import Lift
from linectl_sim.machine import Machine
from linectl_sim.placebook import PlaceBook
from linectl_sim.vessels import Vessels

ATMOSPHERE_KPA = 101.325
"""Standard atmosphere: no pump draws more than that."""
Act = Callable[[str, dict[str, Any]], None]


class Verbs:
    """`do(verb, part, options)`; anything unknown is a UsageError with the nearest valid name."""

    def __init__(self, machine: Machine, book: PlaceBook) -> None:
        self._machine, self._book = machine, book
        self.faults = Faults(machine)
        self.vessels = Vessels(machine)
        self._acts: dict[str, Act] = {
            "harvest stops": lambda part, _: machine.hall.stop(),
            "harvest resumes": lambda part, _: machine.hall.resume(),
            "fault": self._fault,
            "repair": lambda part, options: self.faults.repair(part, options.get("kind")),
            "open": lambda part, _: self._guard(part, closed=False),
            "close": lambda part, _: self._guard(part, closed=True),
            "press estop": lambda part, _: self._zone(part).press(),
            "release estop": lambda part, _: self._zone(part).release(),
            "safety reset": lambda part, _: self._zone(part).safety_reset(),
            "interlock reset": lambda part, _: self._zone(part).interlock_reset(),
            "select": self._select,
            "enable": lambda part, _: self._zone(part).enable(True),
            "disable": lambda part, _: self._zone(part).enable(False),
            "cut power": lambda part, options: machine.safety.cut_power(_ms(options)),
            "silence": self._silence,
            "hard cut": lambda part, options: machine.safety.set_hard_cut(
                bool(options.get("on", True))
            ),
            "ripe check": self._ripe_check,
            "take out": lambda part, _: self._take_out(part),
            "put in": lambda part, _: self._put_in(part),
            "refill": self._refill,
            "set vacuum": self._set_vacuum,
            "change seed": self._change_seed,
            "local": lambda part, _: self._switch(part, "remote", False),
            "remote": lambda part, _: self._switch(part, "remote", True),
            "isolate": lambda part, _: self._switch(part, "isolator_on", False),
            "de-isolate": lambda part, _: self._switch(part, "isolator_on", True),
            "jog": self._jog,
            **FieldVerbs(machine).acts,
            **self.vessels.acts,
            "hidden factors": self._hide,
        }

    def do(self, verb: str, part: str, options: dict[str, Any]) -> None:
        """Does it now."""
        act = self._acts.get(verb)
        if act is None:
            raise UsageError(f"no such verb: {verb!r}{nearest(verb, self._acts)}")
        act(part, options)

    def _zone(self, part: str) -> Any:
        return _known(part, self._machine.safety.zones, "zone")

    def _guard(self, part: str, closed: bool) -> None:
        name = part.removeprefix("guard_").removesuffix(".closed")
        _known(name, {guard: guard for guard in self._machine.safety.guards}, "guard")
        self._machine.safety.set_guard(name, closed)

    def _select(self, part: str, options: dict[str, Any]) -> None:
        place = options.get("place", "room")
        if place not in ("machine", "room"):
            raise UsageError(f"control place {place!r} is neither machine nor room")
        self._zone(part).select(place == "room")

    def _ripe_check(self, part: str, options: dict[str, Any]) -> None:
        self._machine.world.auditor.wet.ripe_check = bool(options.get("on", True))

    def _silence(self, part: str, options: dict[str, Any]) -> None:
        _known(part, self._machine.world.site.file.devices, "device")
        self._machine.safety.silence(part, _ms(options))

    def _fault(self, part: str, options: dict[str, Any]) -> None:
        kind = options.get("kind")
        if not isinstance(kind, str):
            raise UsageError(f"fault at {part}: say which kind")
        self.faults.start(part, kind)
        if options.get("for_ms") is not None:
            self._machine.world.kernel.after(_ms(options), lambda: self.faults.repair(part, kind))

    def _take_out(self, part: str) -> None:
        place = _known(part, self._book_of(), "place")
        body = place.take()
        if body is not None:
            body.gone, body.gone_from, body.handled = "removed", part, True

    def _put_in(self, part: str) -> None:
        place = _known(part, self._book_of(), "place")
        if place.body() is not None:
            return  # the person sees that it is taken
        body = self._machine.world.new_body()
        body.handled, body.put_into = True, part
        body.crop = self._machine.seeder.crop
        place.put(body)

    def _book_of(self) -> dict[str, Any]:
        return {name: self._book.get(name) for name in self._book}

    def _refill(self, part: str, options: dict[str, Any]) -> None:
        machine = self._machine
        if part == machine.magazine.name:
            machine.magazine.fault = ""
            machine.magazine.refill()
        elif part == machine.filler.name:
            machine.filler.fault = ""
            machine.filler.refill()
        elif part == machine.seeder.name:
            machine.seeder.fault = ""
            crop = options.get("crop", "")
            if crop:
                _known(crop, machine.world.site.crops.crops, "crop")
            machine.seeder.refill(crop)
        else:
            names = (machine.magazine.name, machine.filler.name, machine.seeder.name)
            raise UsageError(f"{part!r} cannot be refilled{nearest(part, names)}")

    def _set_vacuum(self, part: str, options: dict[str, Any]) -> None:
        """People turn the relief valve of the drum: `kpa` below atmosphere from now on."""
        seeder = _known(part, {self._machine.seeder.name: self._machine.seeder}, "seeder")
        try:
            kpa = float(options.get("kpa", ""))
        except ValueError:
            kpa = 0.0
        if not 0 < kpa < ATMOSPHERE_KPA:
            raise UsageError(
                f"set vacuum {part}: kpa must be a number above 0 and below {ATMOSPHERE_KPA:g}"
            )
        seeder.trim(kpa)

    def _change_seed(self, part: str, options: dict[str, Any]) -> None:
        machine = self._machine
        _known(part, {machine.seeder.name: machine.seeder}, "seeder")
        crop = str(options.get("crop", ""))
        _known(crop, machine.world.site.crops.crops, "crop")
        machine.seeder.change(crop, str(options.get("lot", "")))

    def _hide(self, part: str, options: dict[str, Any]) -> None:
        """The machine is from now on what that seed says, or the plant's own."""
        seed = options.get("seed", self._machine.world.seed)
        if isinstance(seed, bool) or not isinstance(seed, int):
            raise UsageError(f"hidden factors: seed must be a whole number, not {seed!r}")
        self._machine.is_truly(draw(self._machine.world.site, seed))

    def _jog(self, part: str, options: dict[str, Any]) -> None:
        """Hold-to-run at the machine: the lift comes to a level, unless something is in the way."""
        level = options.get("to")
        if level not in ("up", "down"):
            raise UsageError(f"jog {part}: to must be up or down, not {level!r}")
        lanes = self._machine.lanes.values()
        lifts = {link.name: link for lane in lanes for link in lane.links if isinstance(link, Lift)}
        _known(part, lifts, "lift").jog(up=level == "up")

    def _switch(self, part: str, role: str, on: bool) -> None:
        stations = self._machine.world.site.file.stations
        _known(part, stations, "station")
        points = self._machine.world.points
        index = points.bind(part, role)
        if index == points.spare:
            raise UsageError(f"{part} has no point {part}.{role}")
        points.put(index, on)


def _ms(options: dict[str, Any]) -> int:
    value = options.get("for_ms")
    if not isinstance(value, int) or isinstance(value, bool) or value <= 0:
        raise UsageError(f"for_ms must be whole milliseconds above zero, not {value!r}")
    return value


def _known(name: str, table: Any, what: str) -> Any:
    if name not in table:
        raise UsageError(f"no such {what}: {name!r}{nearest(name, table)}")
    return table[name]
