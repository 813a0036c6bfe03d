"""Which readings follow from which outputs: what the line's own stop brings about by itself.

A cause that reads what an output drives says nothing new once the line has cut that output. The
same table serves every site: it speaks of roles, not of tags.
"""

from __future__ import annotations

from dataclasses import dataclass

from linectl.line.cause_rows import Test
from linectl.site.machine import Seed
from linectl.site.model import Site

DRIVEN_BY: dict[str, tuple[str, ...]] = {
    "running": ("run",),
    "position": ("run",),
    "doser_running": ("doser",),
    "brush_running": ("brush",),
    "drum_running": ("drum",),
    "vacuum": ("pump",),
    "gate_home": ("gate",),
    "press_up": ("press",),
    "press_down": ("press",),
    "clamped": ("clamp",),
    "at_0": ("to_0", "to_90"),
    "at_90": ("to_0", "to_90"),
    "gripper_home": ("extend", "retract"),
    "gripper_out": ("extend", "retract"),
    "gripped": ("grip",),
    "home": ("stroke", "back"),
    "forward": ("stroke", "back"),
    "at_up": ("up", "down"),
    "at_down": ("up", "down"),
    "brake_released": ("brake",),
    "air_ok": ("air",),
    "horn_on": ("horn",),
    "beacon_on": ("beacon",),
}
"""Role of an input → roles of the outputs of the same part that drive it."""


@dataclass(frozen=True)
class Sign:
    """A reading that a person will notice after a stop and might take for its reason."""

    tag: str
    text: str
    test: Test
    drivers: int
    """Bits of the outputs that drive it."""


def drivers_of(io: dict[str, int]) -> dict[int, int]:
    """Input's index → bits of the outputs that drive it; inputs that none drives are left out."""
    drivers: dict[int, int] = {}
    for tag, index in io.items():
        part, _, role = tag.rpartition(".")
        bits = 0
        for driver in DRIVEN_BY.get(role, ()):
            output = io.get(f"{part}.{driver}")
            bits |= 0 if output is None else 1 << output
        if bits:
            drivers[index] = bits
    return drivers


def signs_of(site: Site, io: dict[str, int]) -> tuple[Sign, ...]:
    """The signs of a site: the drum's vacuum, which falls when its pump is switched off."""
    drivers = drivers_of(io)
    return tuple(
        Sign(
            f"{name}.vacuum",
            "vacuum low",
            Test(io[f"{name}.vacuum"], low=station.vacuum_min_kpa),
            drivers[io[f"{name}.vacuum"]],
        )
        for name, station in site.file.stations.items()
        if isinstance(station, Seed)
    )
