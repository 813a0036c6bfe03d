"""What the machine really is, hidden from its controller: factors for calibration to find.

Drawn from a seed of their own, each from a stream of its own, and independent of what
calibration.yaml says: a tool that writes a factor does not change the machine. Ranges are
invented, of the size that commissioning finds (common practice, no source).
"""

from __future__ import annotations

from random import Random
from typing import Any, NamedTuple

from linectl.site.calibration import is_hertz
from linectl.site.machine import Carriage, Conveyor, Fill, Range, Seed, Water
from linectl.site.model import Site

DOSER, DOSER_SPREAD = (0.85, 1.15), 0.01
WATER, PULSES, DRUM = (0.9, 1.1), (0.9, 1.1), (0.95, 1.0)
NEED = (0.85, 1.2)
"""Vacuum that the drum's seed needs, as a multiple of the site's least one."""
OFFSET_MM, SCALE = (-60, 60), (0.99, 1.01)
PER_HZ, OFFSET_HZ = (0.9, 1.1), (0.5, 3.0)
MAINS_HZ = 50.0
"""A drive that is told hertz would nominally give the most of its range at this frequency."""
MOST = {"doser_rate": 1000.0, "flow_rate": 150.0, "drum_rate": 40.0}
"""The most in ml/s and seeds/s where site.yaml declares no range (invented)."""


class Encoder(NamedTuple):
    """What a carriage's encoder tells: home + offset_mm + (true − home) · scale."""

    offset_mm: int = 0
    scale: float = 1.0

    def told(self, true_mm: float, home_mm: float) -> float:
        return home_mm + self.offset_mm + (true_mm - home_mm) * self.scale

    def true(self, told_mm: float, home_mm: float) -> float:
        """Where it stands when the encoder tells `told_mm`."""
        return home_mm + (told_mm - home_mm - self.offset_mm) / self.scale


class Motor(NamedTuple):
    """A drive that is told hertz gives per_hz · (Hz − offset_hz)."""

    per_hz: float
    offset_hz: float


HERTZ_ITSELF = Motor(1.0, 0.0)


class Hidden(NamedTuple):
    """The true factors. Each is what comes for one that is asked."""

    doser: float
    water: float
    pulses_per_l: float
    drum: float
    """At 1.4 times the vacuum that its seed needs."""
    need: float
    """See NEED."""
    encoders: dict[str, Encoder]
    motors: dict[str, Motor]
    """By the tag of the set-point."""


def draw(site: Site, seed: int) -> Hidden:
    """The factors of that seed."""

    def chance(what: str, least_most: tuple[float, float]) -> float:
        return Random(f"{seed}/hidden/{what}").uniform(*least_most)

    stations = site.file.stations
    (water,) = (facts for facts in stations.values() if facts.kind == "water")
    encoders = {
        name: Encoder(round(chance(f"{name} offset", OFFSET_MM)), chance(f"{name} scale", SCALE))
        for name, facts in stations.items()
        if isinstance(facts, Carriage)
    }
    motors = {
        point.tag: Motor(
            most / MAINS_HZ * chance(f"{point.tag} per_hz", PER_HZ),
            chance(f"{point.tag} offset_hz", OFFSET_HZ),
        )
        for point in site.points
        if point.direction == "out" and is_hertz(point.unit)
        if (most := _most(site, point.tag))
    }
    return Hidden(
        chance("doser", DOSER),
        chance("water", WATER),
        water.pulses_per_l * chance("pulses", PULSES),
        chance("drum", DRUM),
        chance("need", NEED),
        encoders,
        motors,
    )


def _most(site: Site, tag: str) -> float:
    """The most that a set-point's device can give, in its own unit; 0 for what turns nothing."""
    part, _, role = tag.rpartition(".")
    facts = site.file.stations.get(part)
    if role == "speed" and isinstance(facts, Conveyor):
        return float(facts.speed_mm_s)
    if role not in MOST:
        return 0.0
    found: Range | None = None
    if isinstance(facts, Fill):
        found = facts.doser_range_ml_s
    elif isinstance(facts, Water):
        found = facts.flow_range_ml_s
    elif isinstance(facts, Seed):
        found = facts.drum_range_seeds_s
    return MOST[role] if found is None else found.most


def as_json(hidden: Hidden, drum: float, best_kpa: float) -> dict[str, Any]:
    """For whoever holds a calibration against the truth. drum: seeds for each one asked at the
    vacuum that the relief valve is set to; best_kpa: where the most cells have just one."""
    return {
        "doser": hidden.doser,
        "water": hidden.water,
        "pulses_per_l": hidden.pulses_per_l,
        "drum": drum,
        "best_kpa": best_kpa,
        "encoders": {name: one._asdict() for name, one in hidden.encoders.items()},
        "drives": {tag: one._asdict() for tag, one in hidden.motors.items()},
    }
