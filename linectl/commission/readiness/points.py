"""Items of the IO checkout: stops, guards, enabling devices, start warnings by themselves."""

from __future__ import annotations

from collections.abc import Sequence

from linectl.commission.checkout.record import PointStanding, checkout_standing
from linectl.commission.readiness.items import Item, Stage
from linectl.commission.readiness.seen import Seen, fact, named
from linectl.site.hardware import Point
from linectl.site.model import Site
from linectl.site.parts import Need, needs_of

_OWN: dict[str, tuple[str, Stage, str]] = {
    "estop_ok": ("estop", "inputs", "the emergency stop of {} is checked out"),
    "closed": ("guard", "inputs", "the guard {} is checked out"),
    "enabling": ("enabling", "inputs", "the enabling device of {} is checked out"),
    **dict.fromkeys(
        ("horn", "beacon", "horn_on", "beacon_on"),
        ("start_warning", "outputs", "horn and beacon of {} with their feedback are checked out"),
    ),
}
"""Role → how its item begins, its stage, its text."""
_REST: dict[str, tuple[str, Stage, str]] = {
    "in": ("inputs", "inputs", "all other inputs are checked out"),
    "out": ("outputs", "outputs", "all other outputs are checked out"),
}


def point_items(seen: Seen) -> list[Item]:
    """What of the checkout has passed, by what the points are for."""
    groups: dict[str, tuple[Stage, str, list[PointStanding]]] = {}
    needs = needs_of(seen.site.file)
    for one in checkout_standing(seen.site).points:
        name, stage, text = _place(one.point, needs.get(one.point.tag))
        groups.setdefault(name, (stage, text, []))[2].append(one)
    do = f"linectl checkout {seen.folder}"
    items = []
    for name, (stage, text, points) in groups.items():
        left = [one for one in points if one.state != "passed"]
        lacks = [one.point.tag for one in left]
        items.append(fact(name, stage, text, lacks, _why(points, left), do))
    return sorted(items, key=lambda item: item.name in ("inputs", "outputs"))


def watched_devices(site: Site) -> list[str]:
    """Devices whose outputs their own watchdog switches off when the controller is silent."""
    writing = {point.device for point in site.points if point.direction == "out"}
    devices = site.file.devices
    return [name for name in devices if name in writing and devices[name].watchdog_ms]


def watchdog_limit_ms(site: Site, device: str) -> int:
    """The longest time that its outputs may take to drop: the least limit of their zones."""
    zones = {p.zone for p in site.points if p.device == device and p.direction == "out"}
    limits = [site.file.zones[zone].watchdog_limit_ms for zone in zones if zone in site.file.zones]
    return min(limits, default=site.file.devices[device].watchdog_ms or 0)


def _place(point: Point, need: Need | None) -> tuple[str, Stage, str]:
    own = _OWN.get(need.role.name) if need is not None else None
    if need is None or own is None:
        return _REST[point.direction]
    part = need.part.removeprefix("guard_") if own[0] == "guard" else need.part
    return f"{own[0]}.{part}", own[1], own[2].format(part)


def _why(points: Sequence[PointStanding], left: Sequence[PointStanding]) -> str:
    if not left:
        return f"{len(points)} of {len(points)} passed"
    told = named([_told(one) for one in left])
    return f"{len(points) - len(left)} of {len(points)} passed; {told}"


def _told(one: PointStanding) -> str:
    if one.state == "reopened":
        return f"{one.point.tag} is open again ({one.why_open})"
    if one.state == "failed" and one.last is not None:
        return f"{one.point.tag} failed ({one.last.found})"
    return f"{one.point.tag} is open"
