"""What each signature of commissioning rests on, as a digest: when that changes, it falls."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Iterable
from typing import Any

from linectl.commission.checkout.record import row_of
from linectl.site.hardware import Point
from linectl.site.model import Site


def on_machine(site: Site) -> str:
    """The machine's shape: zones, stations, lanes. Timers, doses and wiring are no part of it."""
    return _digest(_machine(site))


def on_resuming(site: Site) -> str:
    """The machine, and for how long a unit may stand and still start by itself."""
    return _digest([_machine(site), site.file.limits.auto_resume.limit_ms])


def on_cuts(site: Site) -> str:
    """The machine, and the circuits that cut its outputs."""
    cuts = sorted({point.cut_by for point in site.points if point.cut_by})
    return _digest([_machine(site), cuts])


def on_guards(site: Site) -> str:
    """The zones with their guards, and where each guard's switch is wired."""
    zones = {name: zone.guards for name, zone in site.file.zones.items()}
    return _digest([zones, _rows(p for p in site.points if p.tag.startswith("guard_"))])


def on_device(site: Site, name: str) -> str:
    """A device, its own watchdog, and the outputs that hang on it."""
    device = site.file.devices[name]
    facts = device.model_dump(mode="json", include={"bus", "unit", "watchdog_ms", "heartbeat"})
    outputs = [p for p in site.points if p.device == name and p.direction == "out"]
    times = {p.tag: p.device_watchdog_ms for p in outputs}
    return _digest([facts, _rows(outputs), times])


def _machine(site: Site) -> dict[str, Any]:
    file = site.file
    return {
        "zones": {
            name: [zone.unit, zone.guards, zone.estops] for name, zone in file.zones.items()
        },
        "stations": {name: [one.kind, one.zone] for name, one in file.stations.items()},
        "lanes": [
            [
                lane.id, lane.zone, [[run.name, run.slots] for run in lane.runs],
                [[transfer.kind, transfer.name] for transfer in lane.transfers],
            ]
            for lane in file.lanes
        ],
    }  # fmt: skip


def _rows(points: Iterable[Point]) -> dict[str, str]:
    return {point.tag: row_of(point) for point in points}


def _digest(facts: Any) -> str:
    return hashlib.sha256(json.dumps(facts, sort_keys=True).encode()).hexdigest()[:12]
