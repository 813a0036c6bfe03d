"""The verbs of scenario files: which part each names, and which other keys it takes."""

from __future__ import annotations

from collections.abc import Callable, Collection
from dataclasses import dataclass

from linectl.site.faults import actuator_faults, fault_kinds, place_names
from linectl.site.model import Site

Names = Callable[[Site], Collection[str]]


@dataclass(frozen=True)
class Verb:
    """How a verb is written: the key that names its part, and the other keys it takes."""

    key: str = ""
    names: Names = lambda site: ()
    needs: tuple[str, ...] = ()
    takes: tuple[str, ...] = ()


def _zones(site: Site) -> Collection[str]:
    return site.file.zones


def _guards(site: Site) -> Collection[str]:
    return [guard for zone in site.file.zones.values() for guard in zone.guards]


def _driven(site: Site) -> Collection[str]:
    return [name for name, station in site.file.stations.items() if station.kind != "packing"]


def _filled(site: Site) -> Collection[str]:
    kinds = ("magazine", "fill", "seed")
    return [name for name, station in site.file.stations.items() if station.kind in kinds]


def all_kinds(site: Site) -> dict[str, tuple[str, ...]]:
    """Every part, eye and actuator that can fail, with the kinds of fault it can have."""
    return fault_kinds(site) | actuator_faults(site)


def _inputs(site: Site) -> Collection[str]:
    return [point.tag for point in site.points if point.direction == "in"]


def _points(site: Site) -> Collection[str]:
    return site.tags


def _dosing(site: Site) -> Collection[str]:
    kinds = ("fill", "water", "seed")
    return [name for name, station in site.file.stations.items() if station.kind in kinds]


def _seeders(site: Site) -> Collection[str]:
    return [name for name, station in site.file.stations.items() if station.kind == "seed"]


VERBS: dict[str, Verb] = {
    "harvest stops": Verb(),
    "harvest resumes": Verb(),
    "fault": Verb("part", all_kinds, needs=("kind",), takes=("for",)),
    "repair": Verb("part", all_kinds),
    "open": Verb("guard", _guards),
    "close": Verb("guard", _guards),
    "press estop": Verb("zone", _zones),
    "release estop": Verb("zone", _zones),
    "safety reset": Verb("zone", _zones),
    "interlock reset": Verb("zone", _zones),
    "enable": Verb("zone", _zones),
    "disable": Verb("zone", _zones),
    "cut power": Verb(needs=("for",)),
    "silence": Verb("device", lambda site: site.file.devices, needs=("for",)),
    "take out": Verb("place", place_names),
    "put in": Verb("place", place_names),
    "refill": Verb("part", _filled),
    "set vacuum": Verb("part", _seeders, needs=("kpa",)),
    "change seed": Verb("part", _seeders, needs=("crop",), takes=("lot",)),
    "miswire": Verb("part", _points, needs=("kind",), takes=("other", "by")),
    "put wires right": Verb("part", _points),
    "break wire": Verb("part", _inputs),
    "mend wire": Verb("part", _inputs),
    "hold sensor": Verb("part", _inputs, needs=("value",)),
    "let go": Verb("part", _inputs),
    "put vessel": Verb("part", _dosing),
    "take vessel": Verb("part", _dosing),
    "spill": Verb("part", _dosing),
    "hidden factors": Verb(needs=("seed",)),
    "hard cut": Verb(needs=("on",)),
    "local": Verb("station", _driven),
    "remote": Verb("station", _driven),
    "isolate": Verb("station", _driven),
    "de-isolate": Verb("station", _driven),
    "select": Verb("zone", _zones, needs=("place",)),
    "command": Verb(needs=("command",), takes=("unit", "argument", "by")),
}
