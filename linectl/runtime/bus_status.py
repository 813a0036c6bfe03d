"""What `status` says of the buses: measured beside computed, as plain data."""

from __future__ import annotations

from typing import Any

from linectl.field.snapshots import BusHealth, DeviceHealth
from linectl.registers.budget import Budget
from linectl.site.model import Site


class BusStatus:
    """Computes a site's budget once; rows for every status."""

    def __init__(self, site: Site) -> None:
        budget = Budget(site)
        self._computed = {
            name: {
                "cycle_ms": bus.cycle_ms,
                "wire_ms": bus.wire_ms + bus.write_ms,
            }
            for name, bus in budget.buses.items()
        }
        self._ages = {
            name: max(
                (
                    budget.worst_age_ms(point)
                    for point in site.points
                    if point.device == name and point.direction == "in" and not point.poll
                ),
                default=None,
            )
            for name in site.file.devices
        }

    def row(self, health: BusHealth, now_ms: int) -> dict[str, Any]:
        """One bus as `status --json` gives it."""
        return {
            "name": health.name,
            "kind": health.kind,
            "up": health.up,
            "since_s": (now_ms - health.since_ms) / 1000,
            "cycle_ms": health.cycle_ms,
            "errors": dict(health.errors),
            "late": health.late,
            "echoes": health.echoes,
            "remarks": list(health.remarks),
            "computed": self._computed[health.name],
            "measured": {
                "cycle_ms": health.cycle._asdict(),
                "wire_ms": health.wire._asdict(),
                "write_ms": health.write._asdict(),
            },
            "devices": [self._device(device, now_ms) for device in health.devices],
        }

    def _device(self, device: DeviceHealth, now_ms: int) -> dict[str, Any]:
        last_good = device.last_good_ms
        return {
            "name": device.name,
            "good": device.good,
            "quality": device.quality,
            "demoted": device.demoted,
            "since_s": (now_ms - device.since_ms) / 1000,
            "last_good_s": None if last_good is None else (now_ms - last_good) / 1000,
            "errors": dict(device.errors),
            "last": device.last,
            "check": device.check,
            "bad_points": dict(device.bad_points),
            "holes": {table: list(ranges) for table, ranges in device.holes.items()},
            "computed": {"age_ms": self._ages[device.name]},
            "measured": {"latency_ms": device.latency._asdict(), "age_ms": device.age._asdict()},
        }
