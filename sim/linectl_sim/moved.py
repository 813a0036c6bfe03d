"""What somebody at the machine sees of its actuators: which are on, which have moved, how far.

By the tag of the output that should drive the actuator, whatever wire drives it now. Motions have
an amount: `mm` of a belt or a carriage, `way` as the share of the way from end to end of an arm, a
table, a row, a lift or the press. Everything else is on or off, for so many ms.
"""

from __future__ import annotations

from collections.abc import Callable
from functools import partial
from typing import Any, NamedTuple

from linectl_sim.actuators import Actuator
from linectl_sim.carriages import CarriagePart
from linectl_sim.joints import Lift
from linectl_sim.machine import Machine

STILL = 1e-6
"""A motion of less than this has not been."""


class _Seen(NamedTuple):
    on_ms: float
    amount: float


class Moved:
    """Each who asks has a mark of their own: they are told what came since they asked last."""

    def __init__(self, machine: Machine) -> None:
        self._world = machine.world
        self._tags = {
            point.index: point.tag
            for point in machine.world.site.points
            if point.direction == "out" and point.is_bool
        }
        self._mm, self._ways = _lengths(machine), _ways(machine)
        self._seen: dict[str, dict[int, _Seen]] = {}
        self._told_of: dict[str, int] = {}

    def since(self, who: str) -> dict[str, dict[str, Any]]:
        """What is on or has moved since `who` asked last; for the first time, since the start.

        By tag: on (now), on_ms, direction (+1 the right way, −1 backwards), mm (signed: along
        the belt, or away from 0 of the carriage's track) and way (a share); the one that does not
        apply is None.
        """
        marks = self._seen.setdefault(who, {})
        found = {}
        for index, tag in self._tags.items():
            seen = _Seen(self._world.outputs.on_ms(index), self._amount(tag))
            before = marks.get(index) or _Seen(0.0, self._at_start(tag))
            marks[index] = seen
            on_ms, amount = seen.on_ms - before.on_ms, seen.amount - before.amount
            on = bool(self._world.outputs.effect[index])
            if on or on_ms > 0 or abs(amount) > STILL:
                found[tag] = self._told(tag, on, on_ms, amount)
        return found

    def switched(self, who: str) -> list[tuple[int, str, bool]]:
        """Each time that an on/off actuator came on or went off since `who` asked for these last:
        when (ms), the tag of its output, on or off. Only so many are kept."""
        outputs = self._world.outputs
        new = outputs.switches - self._told_of.get(who, 0)
        self._told_of[who] = outputs.switches
        kept = list(outputs.switched)
        found = kept[max(0, len(kept) - new) :]
        return [(at_ms, self._tags[index], on) for at_ms, index, on in found if index in self._tags]

    def set_points(self) -> dict[str, float]:
        """What each device that is told a number shows of it now, by tag."""
        effect = self._world.outputs.effect
        return {
            point.tag: effect[point.index]
            for point in self._world.site.points
            if point.direction == "out" and not point.is_bool
        }

    def _told(self, tag: str, on: bool, on_ms: float, amount: float) -> dict[str, Any]:
        return {
            "on": on,
            "on_ms": round(on_ms),
            "direction": -1 if tag in self._world.backwards else 1,
            "mm": round(amount, 1) if tag in self._mm else None,
            "way": round(amount, 4) if tag in self._ways else None,
        }

    def _amount(self, tag: str) -> float:
        measure = self._mm.get(tag) or self._ways.get(tag)
        return 0.0 if measure is None else measure()

    def _at_start(self, tag: str) -> float:
        part, _, role = tag.rpartition(".")
        stations = self._world.site.file.stations
        return float(getattr(stations.get(part), "home_mm", 0.0)) if role == "run" else 0.0


def _position(carriage: CarriagePart) -> float:
    return float(carriage.travel.state()[0])


def _lengths(machine: Machine) -> dict[str, Callable[[], float]]:
    """Motions that have a length, by tag."""
    found: dict[str, Callable[[], float]] = {}
    for name, drive in machine.drives.items():
        found[f"{name}.run"] = drive.turned
    for name, carriage in machine.carriages.items():
        found[f"{name}.run"] = partial(_position, carriage)
    return found


def _ways(machine: Machine) -> dict[str, Callable[[], float]]:
    """Motions between two ends, by tag."""
    found: dict[str, Callable[[], float]] = {}

    def add(part: str, roles: tuple[str, str], actuator: Actuator) -> None:
        found[f"{part}.{roles[0]}"] = lambda: actuator.gone(1)
        found[f"{part}.{roles[1]}"] = lambda: actuator.gone(-1)

    for table in (machine.turn, machine.turnout):
        add(table.name, ("to_90", "to_0"), table.turning)
    for name, carriage in machine.carriages.items():
        add(name, ("extend", "retract"), carriage.arm)
    for lane in machine.lanes.values():
        for row in lane.rows:
            add(row.name, ("stroke", "back"), row.stroke)
        for link in lane.links:
            if isinstance(link, Lift):
                add(link.name, ("up", "down"), link.height)
    found[f"{machine.tamper.name}.press"] = lambda: machine.tamper.press.gone(1)
    return found
