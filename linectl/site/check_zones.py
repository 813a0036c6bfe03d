"""Checks which emergency stops act on a zone: every zone's, unless it shares no equipment."""

from __future__ import annotations

from linectl.site.complaints import nearest
from linectl.site.draft import Draft, Findings
from linectl.site.machine import Carriage


def check(draft: Draft, say: Findings) -> None:
    """`estops` names zones, its own among them, and leaves none out where equipment is shared."""
    known = draft.names("site.yaml", "zones")
    for name, zone in draft.zones.items():
        if zone.estops is None:
            continue
        for place, stop in enumerate(zone.estops):
            if stop not in known:
                text = f"zone {stop!r} is not among the zones of site.yaml"
                path = ("zones", name, "estops", place)
                say.errors.append(draft.site(path, text, nearest(stop, known)))
        _few(draft, say, name, zone.estops)


def _few(draft: Draft, say: Findings, name: str, stops: tuple[str, ...]) -> None:
    path = ("zones", name, "estops")
    if name not in stops:
        text = "leaves out the zone's own emergency stop"
        say.errors.append(draft.site(path, text, f"add {name}"))
    left_out = [zone for zone in draft.zones if zone not in stops and zone != name]
    shared = shared_equipment(draft, name)
    if left_out and shared:
        text = (
            f"leaves out {', '.join(left_out)}, yet the zone has {shared}: every emergency stop "
            "stops what the units share"
        )
        say.errors.append(draft.site(path, text, "leave estops out"))


def shared_equipment(draft: Draft, zone: str) -> str:
    """What of a zone both units use, in words; empty if nothing."""
    if draft.zones[zone].unit is None:
        return "no unit of its own"
    for lane in draft.lanes.values():
        if lane.zone == zone:
            lift = any(transfer.kind != "level" for transfer in lane.transfers)
            return f"lane {lane.id}" + (" with its lift" if lift else "")
    for name, station in draft.stations.items():
        if isinstance(station, Carriage) and station.zone == zone:
            return f"the carriage {name}"
    return ""
