"""Checks that names in site.yaml and crops.yaml point at something, and at one thing only."""

from __future__ import annotations

from collections.abc import Callable, Iterable

from linectl.site.complaints import nearest
from linectl.site.draft import Draft, Findings
from linectl.site.hardware import RtuBus
from linectl.site.machine import HARVEST_KINDS, SOWING_KINDS
from linectl.site.sheet import TreePath


def check(draft: Draft, say: Findings) -> None:
    """Buses, zones, stations of each kind, units on a bus, part names, crops, blends."""
    for name, device in draft.devices.items():
        _known(draft, say, ("devices", name, "bus"), device.bus, "bus", "buses")
    for name, station in draft.stations.items():
        _known(draft, say, ("stations", name, "zone"), station.zone, "zone", "zones")
    for place, lane in draft.lanes.items():
        _known(draft, say, ("lanes", place, "zone"), lane.zone, "zone", "zones")
    _one_of_each_kind(draft, say)
    _wires(draft, say)
    _part_names(draft, say)
    _guards(draft, say)
    _crops(draft, say)


def _known(draft: Draft, say: Findings, path: TreePath, name: str, what: str, section: str) -> None:
    valid = draft.names("site.yaml", section)
    if name not in valid:
        text = f"{what} {name!r} is not among the {section} of site.yaml"
        say.errors.append(draft.site(path, text, nearest(name, valid)))


def _one_of_each_kind(draft: Draft, say: Findings) -> None:
    """The flow is a chain of one station of each kind."""
    if draft.names("site.yaml", "stations") != set(draft.stations):
        return
    first: dict[str, str] = {}
    for name, station in draft.stations.items():
        other = first.setdefault(station.kind, name)
        if other != name:
            text = f"is a second {station.kind}; {other} is one already"
            say.errors.append(draft.site(("stations", name, "kind"), text))
    for kind in (*SOWING_KINDS, *HARVEST_KINDS):
        if kind not in first:
            text = f"the line has no station of kind {kind}"
            say.errors.append(draft.site(("stations",), text))


def _wires(draft: Draft, say: Findings) -> None:
    """Two devices with one unit on a bus, two buses on one port."""
    units: dict[tuple[str, int], str] = {}
    for name, device in draft.devices.items():
        other = units.setdefault((device.bus, device.unit), name)
        if other != name:
            text = f"unit {device.unit} on bus {device.bus} is {other} already"
            say.errors.append(draft.site(("devices", name, "unit"), text))
    ports: dict[str, str] = {}
    for name, bus in draft.buses.items():
        port = bus.port if isinstance(bus, RtuBus) else f"{bus.host}:{bus.port}"
        other = ports.setdefault(port, name)
        if other != name:
            text = f"{port} is bus {other} already: one connection, one owner"
            say.errors.append(draft.site(("buses", name, "port"), text))


def _part_names(draft: Draft, say: Findings) -> None:
    """Two parts with one name would own the same tags."""
    owners: dict[str, str] = {}

    def claim(part: str, what: str, path: TreePath) -> None:
        other = owners.setdefault(part, what)
        if other != what:
            text = f"{what} and {other} are both called {part}: each output would have two owners"
            say.errors.append(draft.site(path, text))

    for name in draft.zones:
        claim(name, f"zone {name}", ("zones", name))
    for name in draft.stations:
        claim(name, f"station {name}", ("stations", name))
    seen: dict[int, int] = {}
    for place, lane in draft.lanes.items():
        if seen.setdefault(lane.id, place) != place:
            say.errors.append(draft.site(("lanes", place, "id"), f"lane {lane.id} stands twice"))
            continue
        for number, run in enumerate(lane.runs):
            path: TreePath = ("lanes", place, "runs", number, "name")
            claim(f"{lane.prefix}.{run.name}", f"run {number + 1} of lane {lane.id}", path)
        for number, transfer in enumerate(lane.transfers):
            path = ("lanes", place, "transfers", number, "name")
            what = f"transfer {number + 1} of lane {lane.id}"
            claim(f"{lane.prefix}.{transfer.name}", what, path)


def _guards(draft: Draft, say: Findings) -> None:
    first: dict[str, str] = {}
    for name, zone in draft.zones.items():
        for guard in zone.guards:
            other = first.setdefault(guard, name)
            if other != name:
                text = f"guard {guard} belongs to zone {other} already"
                say.errors.append(draft.site(("zones", name, "guards"), text))
    for unit in ("sowing", "harvest"):
        whole = draft.names("site.yaml", "zones") == set(draft.zones)
        if whole and all(zone.unit != unit for zone in draft.zones.values()):
            text = f"no zone belongs to unit {unit}"
            say.errors.append(draft.site(("zones",), text, f"write unit: {unit} in its zone"))


def _crops(draft: Draft, say: Findings) -> None:
    valid = draft.names("crops.yaml", "crops")

    def known(names: Iterable[str], path: TreePath, file: str = "site.yaml") -> None:
        for name in names:
            if name not in valid:
                text = f"crop {name!r} is not in crops.yaml"
                say.errors.append(draft.at(file, path, text, nearest(name, valid)))

    for place, lane in draft.lanes.items():
        known(lane.crops, ("lanes", place, "crops"))
    if draft.sowing is not None:
        known([draft.sowing.crop], ("sowing", "crop"))
        known(draft.sowing.harvest_order, ("sowing", "harvest_order"))
    substrates = draft.names("crops.yaml", "substrates")
    for name, facts in draft.crops.items():
        if facts.substrate is not None and facts.substrate not in substrates:
            text = f"substrate {facts.substrate!r} is not in crops.yaml"
            near = nearest(facts.substrate, substrates)
            say.errors.append(draft.at("crops.yaml", ("crops", name, "substrate"), text, near))
    _blends(draft, say, known)
    for name, facts in draft.crops.items():
        if facts.ripe_after_ms > facts.days_ms:
            text = "is later than the crop's days: it would never be taken in time"
            say.errors.append(draft.at("crops.yaml", ("crops", name, "ripe_after"), text))


def _blends(
    draft: Draft, say: Findings, known: Callable[[Iterable[str], TreePath, str], None]
) -> None:
    """Each blend is asked by gutters or by mass, of crops that there are."""
    blends = draft.written("crops.yaml", "blends")
    for name, blend in (blends if isinstance(blends, dict) else {}).items():
        ways = [way for way in ("gutters", "mass") if isinstance(blend, dict) and blend.get(way)]
        if len(ways) != 1:
            text = "is asked by gutters or by mass: write one of the two, with at least one crop"
            say.errors.append(draft.at("crops.yaml", ("blends", name), text))
        for way in ways:
            for crop in blend[way] if isinstance(blend[way], dict) else ():
                known([crop], ("blends", name, way, crop), "crops.yaml")
