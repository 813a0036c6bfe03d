"""Which faults a plant can play at which part: the names that scenario files use."""

from __future__ import annotations

from collections.abc import Iterable

from linectl.site.hardware import Point
from linectl.site.machine import Conveyor
from linectl.site.model import Site
from linectl.site.parts import needs_of
from linectl.site.roles import STATION_ROLES

EYE = ("stuck_on", "stuck_off", "flicker")
BELT = ("no_start", "drifts", "trips", "skewed")
CARRIAGE = (
    "no_start", "drifts", "trips", "off_position", "flag_missed", "grips_nothing", "drops",
    "sticks_out",
)  # fmt: skip
OWN = {
    "magazine": ("feeds_two", "feeds_none", "empty"),
    "fill": ("hopper_empty",),
    "tamp": ("press_sticks",),
    "water": ("valve_leaks", "supply_lost"),
    "seed": ("vacuum_low", "seed_empty"),
    "turn": ("stops_at_45",),
    "turnout": ("stops_at_45",),
    "infeed": CARRIAGE,
    "outfeed": CARRIAGE,
    "packing": ("takes_without_handshake", "handshake_sticks", "late"),
}
RUN = ("stroke_short", "overruns", "one_run_only")
LIFT = ("stops_half_way", "drifts")
ZONE = ("air_lost",)
DEVICE = ("silent", "late", "supply_lost")
SUPPLY = ("supply_lost",)

STUCK, BACKWARDS = "stuck", "backwards"
TURNING = ("run", "doser", "drum", "brush", "belt", "pump")
"""Roles of outputs that turn something, which may turn the wrong way."""

_COUNTERS = {
    role.name for roles in STATION_ROLES.values() for role in roles if role.kind == "counter"
}

_EYES = ("centred", "on_board", "not_low", "not_empty", "single")
"""Roles that are eyes though their names do not end in `_eye`."""


def fault_kinds(site: Site) -> dict[str, tuple[str, ...]]:
    """Every part and eye of the site that can fail, with the kinds of fault it can have."""
    kinds: dict[str, tuple[str, ...]] = {}

    def add(part: str, more: tuple[str, ...]) -> None:
        kinds[part] = (*kinds.get(part, ()), *more)

    for tag, need in needs_of(site.file).items():
        name = need.role.name
        if need.role.direction == "in" and (name.endswith("_eye") or name in _EYES):
            add(tag, EYE)
    for name, station in site.file.stations.items():
        add(name, BELT if isinstance(station, Conveyor) else ())
        add(name, OWN[station.kind])
    for lane in site.file.lanes:
        for run in lane.runs:
            add(f"{lane.prefix}.{run.name}", RUN)
        for transfer in lane.transfers:
            if transfer.kind != "level":
                add(f"{lane.prefix}.{transfer.name}", LIFT)
    for zone in site.file.zones:
        add(zone, ZONE)
    for device in site.file.devices:
        add(device, DEVICE)
    for group in supply_groups(site.points):
        add(group, SUPPLY)
    return kinds


def actuator_faults(site: Site) -> dict[str, tuple[str, ...]]:
    """Every on/off output of the site, with what can be wrong with what hangs on it.

    `stuck`: it stays as it is, whatever it is told. `backwards`: it turns the wrong way. Found at
    checkout; a line that works with one of these is not asked to do without damage.
    """
    return {
        tag: (STUCK, BACKWARDS) if need.role.name in TURNING else (STUCK,)
        for tag, need in needs_of(site.file).items()
        if need.role.direction == "out" and need.role.kind == "bool"
    }


def miswirings(point: Point) -> tuple[str, ...]:
    """The mistakes that can be made at a point: in its wires, or where its device is set up."""
    if point.is_bool:
        return ("swapped", "inverted", "dead")
    words = ("word_order",) if point.words == 2 and point.word_order is not None else ()
    return ("swapped", "dead", "scale", *words)


def swappable(one: Point, other: Point) -> bool:
    """Whether the wires of two points can be swapped: levels with levels, numbers with numbers,
    and what only counts with its like."""

    def kind(point: Point) -> tuple[str, bool, bool]:
        role = point.tag.rpartition(".")[2]
        return point.direction, point.is_bool, role in _COUNTERS

    return one.index != other.index and kind(one) == kind(other)


def supply_groups(points: Iterable[Point]) -> dict[str, tuple[Point, ...]]:
    """The points of each supply group, by its name, in file order."""
    groups: dict[str, tuple[Point, ...]] = {}
    for point in points:
        if point.supply:
            groups[point.supply] = (*groups.get(point.supply, ()), point)
    return groups


def place_names(site: Site) -> set[str]:
    """Every place of the machine where a gutter can be taken out or put in by hand."""
    names = {name for name, station in site.file.stations.items() if station.kind != "packing"}
    for lane in site.file.lanes:
        for run in lane.runs:
            names |= {f"{lane.prefix}.{run.name}.{slot}" for slot in range(run.slots)}
        names |= {f"{lane.prefix}.{transfer.name}" for transfer in lane.transfers}
    return names
