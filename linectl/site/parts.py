"""Which points a site's parts need: tag → role, part and zone; the names all rooms bind by."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import NamedTuple

from linectl.site.machine import Lane, Station
from linectl.site.model import SiteFile, Zone
from linectl.site.roles import (
    GUARD_ROLE,
    RUN_ROLES,
    STATION_ROLES,
    WEIGHING_ROLES,
    ZONE_ROLES,
    Role,
    transfer_roles,
)


class Need(NamedTuple):
    """A point that a part needs. `place` is where site.yaml writes the part."""

    role: Role
    part: str
    zone: str
    place: tuple[str | int, ...]


def needed_points(
    stations: Mapping[str, Station], lanes: Iterable[Lane], zones: Mapping[str, Zone]
) -> dict[str, Need]:
    """Every point that these parts need, by tag, in the order of site.yaml."""
    needs: dict[str, Need] = {}

    def add(part: str, zone: str, roles: Iterable[Role], place: tuple[str | int, ...]) -> None:
        for role in roles:
            needs[f"{part}.{role.name}"] = Need(role, part, zone, place)

    for name, zone in zones.items():
        add(name, name, ZONE_ROLES, ("zones", name))
        for guard in zone.guards:
            add(f"guard_{guard}", name, (GUARD_ROLE,), ("zones", name, "guards"))
    for name, station in stations.items():
        add(name, station.zone, STATION_ROLES[station.kind], ("stations", name))
        if station.kind == "packing" and station.weighing is not None:
            add(name, station.zone, WEIGHING_ROLES, ("stations", name, "weighing"))
    for place, lane in enumerate(lanes):
        for number, run in enumerate(lane.runs):
            where = ("lanes", place, "runs", number)
            add(f"{lane.prefix}.{run.name}", lane.zone, RUN_ROLES, where)
        for number, transfer in enumerate(lane.transfers):
            where = ("lanes", place, "transfers", number)
            roles = transfer_roles(transfer.kind)
            add(f"{lane.prefix}.{transfer.name}", lane.zone, roles, where)
    return needs


def needs_of(file: SiteFile) -> dict[str, Need]:
    """Every point that a checked site needs, by tag."""
    return needed_points(file.stations, file.lanes, file.zones)


def moving_tags(file: SiteFile) -> frozenset[str]:
    """Tags of the outputs that set something in motion."""
    return frozenset(tag for tag, need in needs_of(file).items() if need.role.moves)
