"""The plant without a controller: outputs stay as last written until each device's watchdog."""

from __future__ import annotations

from random import Random
from typing import Any

from linectl.site.model import Site


def watchdogs(site: Site) -> dict[str, int]:
    """Each device's watchdog, ms, its own or its outputs' shortest; those that have one."""
    found: dict[str, int] = {}
    for name, device in site.file.devices.items():
        own = [device.watchdog_ms] if device.watchdog_ms else []
        own += [p.device_watchdog_ms for p in site.points
                if p.device == name and p.direction == "out" and p.device_watchdog_ms]  # fmt: skip
        if own:
            found[name] = min(own)
    return found


def unattended(plant: Any, site: Site, for_ms: int, chance: Random) -> None:
    """Nobody writes for that long. A device was last written up to its refresh ago."""
    killed = plant.now
    due = sorted(
        (
            killed + limit - chance.randint(0, min(limit - 1, site.file.devices[name].refresh_ms)),
            name,
        )
        for name, limit in watchdogs(site).items()
    )
    for at, name in due:
        if at <= killed + for_ms:
            _bring(plant, at)
            plant.fall_safe(name)
    _bring(plant, killed + for_ms)
    plant.take_changed()


def _bring(plant: Any, to: int) -> None:
    while plant.now < to:
        plant.run_until(to)
