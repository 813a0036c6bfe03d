"""How long one pulse of an output may last at most: by its role, from the machine's own times.

What travels is given its own time-out and no more; a tool that gives material what a calibration's
run takes; a set-point, which moves nothing by itself, what a meter's reading takes.
"""

from __future__ import annotations

from linectl.site import machine
from linectl.site.model import Site
from linectl.site.parts import Need, needs_of

MATERIAL_MS_MAX = 120_000
"""Of a tool that gives material, and of what it needs for it (common practice, no source)."""
NUMBER_MS_MAX = 120_000
"""Of a set-point: until a person has read the device's display (common practice, no source)."""
GIVES = frozenset(("doser", "valve", "drum", "pump"))
"""Roles of tools that give material, and of the pump without which the drum gives none."""
OPPOSED = (("up", "down"), ("to_0", "to_90"), ("extend", "retract"), ("stroke", "back"))
"""Roles of one part that drive the same motion, each its own way: never both."""
TOGETHER = {"up": ("brake",), "down": ("brake",), "brake": ("up", "down")}
"""Role → those of which one must go with it: a lift whose brake is let go alone falls; one that
drives against its brake wears it."""


def pulse_most_ms(site: Site, tag: str) -> int:
    """The longest pulse of that output, in ms. KeyError if the site needs no such point,
    ValueError if it is an input."""
    need = needs_of(site.file)[tag]
    if need.role.direction == "in":
        raise ValueError(f"{tag} is an input")
    if need.role.kind != "bool":
        return NUMBER_MS_MAX
    if need.role.name in GIVES:
        return MATERIAL_MS_MAX
    return _own_ms(site, need) or site.file.limits.pulse_ms


def companions(site: Site, tag: str) -> tuple[str, ...]:
    """The outputs of which one must go with that one in a pulse; none for most."""
    part, _, role = tag.rpartition(".")
    return tuple(f"{part}.{other}" for other in TOGETHER.get(role, ()) if _has(site, part, other))


def _has(site: Site, part: str, role: str) -> bool:
    return any(point.tag == f"{part}.{role}" for point in site.points)


def _own_ms(site: Site, need: Need) -> int | None:
    """The time-out of the motion that this output drives; None if it has none of its own."""
    role = need.role.name
    match need.place:
        case ("stations", str(name)):
            return _station_ms(site.file.stations[name], role)
        case ("lanes", int(place), "runs", int(number)):
            return site.file.lanes[place].runs[number].timeout_ms
        case ("lanes", int(place), "transfers", int(number)):
            return site.file.lanes[place].transfers[number].timeout_ms
    return None


def _station_ms(station: machine.Station, role: str) -> int | None:
    match station, role:
        case machine.Carriage(), "run":
            return station.travel_timeout_ms
        case machine.Carriage(), _:
            return station.gripper_timeout_ms
        case machine.Conveyor(), "run":
            return station.travel_timeout_ms
        case machine.Magazine(), "gate":
            return station.gate_timeout_ms
        case machine.Tamp(), "press" | "clamp":
            return station.press_timeout_ms
        case ((machine.Turn() | machine.TurnOut()), ("to_0" | "to_90")):
            return station.turn_timeout_ms
    return None
