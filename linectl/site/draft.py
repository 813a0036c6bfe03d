"""What could be read of a site's files, whole or not: the ground that the cross-checks stand on.

One wrong timer must not hide a doubled address, so each bus, device, zone, station, lane, crop,
cause and effect is read by itself. `broken` names those that could not be; checks pass them over,
because the schema has said already what is wrong with them.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from linectl.errors import Finding
from linectl.site.alarm_help import AlarmHelp
from linectl.site.complaints import part
from linectl.site.crops import Crop
from linectl.site.fields import Timer
from linectl.site.hardware import Bus, Device, Point
from linectl.site.interlocks import Cause, Effect
from linectl.site.iolist import Hardware, Row, points_of
from linectl.site.machine import Lane, Station
from linectl.site.model import Gutter, Limits, Sowing, Zone
from linectl.site.notation import Notation
from linectl.site.parts import Need, needed_points
from linectl.site.sheet import Node, TreePath, dotted, empty


@dataclass
class Findings:
    """What the checks have to say: errors stop a site from loading, warnings do not."""

    errors: list[Finding] = field(default_factory=list)
    warnings: list[Finding] = field(default_factory=list)


@dataclass(frozen=True)
class Draft:
    """The readable parts of a site, by name, with the trees and rows that they came from."""

    folder: Path
    """Where relative paths in the files begin."""
    trees: Mapping[str, Node]
    rows: tuple[Row, ...]
    points: tuple[tuple[Row, Point], ...]
    needs: Mapping[str, Need]
    broken: frozenset[str]
    """Parts that could not be read: `fill`, `lane2`; `lane` if a lane has no readable id, `guard`
    if a zone, which lists guards, could not be read."""
    scan_ms: int | None
    gutter: Gutter | None
    buses: Mapping[str, Bus]
    devices: Mapping[str, Device]
    zones: Mapping[str, Zone]
    stations: Mapping[str, Station]
    lanes: Mapping[int, Lane]
    """By place in the list of lanes."""
    limits: Limits | None
    sowing: Sowing | None
    crops: Mapping[str, Crop]
    causes: Mapping[str, Cause]
    effects: Mapping[str, Effect]
    alarms: Mapping[str, AlarmHelp]

    def names(self, file: str, *path: str | int) -> set[str]:
        """The keys written under `path`, readable or not."""
        node = _down(self.trees[file], path)
        return set(node.value) if isinstance(node.value, dict) else set()

    def written(self, file: str, *path: str | int) -> Any:
        """What stands at `path` as plain data, readable or not; None if nothing does."""
        return _down(self.trees[file], path).plain() or None

    def at(
        self, file: str, path: TreePath, message: str, hint: str | None = None, whole: str = ""
    ) -> Finding:
        """A finding at `path`, with the line of the deepest key that was written."""
        node = self.trees[file].at(path)
        return Finding(node.file, node.line, whole or dotted(path), message, hint)

    def site(self, path: TreePath, message: str, hint: str | None = None) -> Finding:
        """A finding in site.yaml."""
        return self.at("site.yaml", path, message, hint)

    def is_broken(self, part_name: str) -> bool:
        """True if that part, or the lane it belongs to, could not be read."""
        head = part_name.split(".")[0]
        families = {kind for kind in ("lane", "guard") if head.startswith(kind)}
        return head in self.broken or bool(families & self.broken)

    @property
    def by_tag(self) -> dict[str, Point]:
        """Points by tag (built anew at each call: keep it)."""
        return {point.tag: point for _, point in self.points}


def draft_of(
    folder: Path, trees: Mapping[str, Node], rows: Iterable[Row], findings: list[Finding]
) -> Draft:
    """Reads each part by itself; rows that cannot be read as points are added to `findings`."""
    site, locks = trees["site.yaml"], trees["interlocks.yaml"]
    zones: dict[str, Zone] = _each(site, "zones", Zone)
    stations: dict[str, Station] = _each(site, "stations", Station)
    lanes = dict(_lanes(site))
    needs = needed_points(stations, lanes.values(), zones)
    devices: dict[str, Device] = _each(site, "devices", Device)
    hardware = Hardware(devices, _notations(site))
    listed = tuple(rows)
    broken = {
        *(_under(site, "stations") - set(stations)),
        *(_under(site, "zones") - set(zones)),
        *_broken_lanes(site, lanes),
    }
    if _under(site, "zones") - set(zones):
        broken.add("guard")
    return Draft(
        folder=folder,
        trees=trees,
        rows=listed,
        points=tuple(points_of(listed, needs, hardware, findings)),
        needs=needs,
        broken=frozenset(broken),
        scan_ms=part(Timer, site.child("scan")),
        gutter=part(Gutter, site.child("gutter")),
        buses=_each(site, "buses", Bus),
        devices=devices,
        zones=zones,
        stations=stations,
        lanes=lanes,
        limits=part(Limits, site.child("limits") or empty("site.yaml")),
        sowing=part(Sowing, site.child("sowing")),
        crops=_each(trees["crops.yaml"], "crops", Crop),
        causes=_each(locks, "causes", Cause),
        effects=_each(locks, "effects", Effect),
        alarms=_each(locks, "alarms", AlarmHelp),
    )


def _each(tree: Node, section: str, kind: Any) -> dict[str, Any]:
    """The readable entries of one section, by name."""
    node = tree.child(section)
    if node is None or not isinstance(node.value, dict):
        return {}
    read = {name: part(kind, below) for name, below in node.value.items()}
    return {name: value for name, value in read.items() if value is not None}


def _notations(site: Node) -> dict[str, Notation]:
    """How each device that is written writes its addresses, though the rest of it be wrong."""
    node = site.child("devices")
    if node is None or not isinstance(node.value, dict):
        return {}
    found: dict[str, Notation] = {}
    for name, device in node.value.items():
        written = device.child("notation")
        found[name] = "protocol" if written is None else part(Notation, written)
    return {name: notation for name, notation in found.items() if notation is not None}


def _lanes(site: Node) -> Iterator[tuple[int, Lane]]:
    node = site.child("lanes")
    if node is None or not isinstance(node.value, list):
        return
    for place, below in enumerate(node.value):
        lane = part(Lane, below)
        if lane is not None:
            yield place, lane


def _broken_lanes(site: Node, lanes: Mapping[int, Lane]) -> Iterator[str]:
    node = site.child("lanes")
    if node is None or not isinstance(node.value, list):
        yield "lane"
        return
    for place, below in enumerate(node.value):
        if place not in lanes:
            number = below.child("id")
            readable = number is not None and isinstance(number.value, int)
            yield f"lane{number.value}" if number is not None and readable else "lane"


def _under(tree: Node, section: str) -> set[str]:
    node = tree.child(section)
    return set(node.value) if node is not None and isinstance(node.value, dict) else set()


def _down(tree: Node, path: Iterable[str | int]) -> Node:
    """The node exactly at `path`, or an empty one."""
    node: Node | None = tree
    for key in path:
        node = node.child(key) if node is not None else None
    return node if node is not None else empty(tree.file)
