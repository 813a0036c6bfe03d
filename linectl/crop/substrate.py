"""The bed in a gutter: volume, mass and height of the substrate, loose and tamped; the hopper.

Tamping by a ratio divides the volume by it and multiplies the bulk density by it; the mass is
kept. Bulk density of peat loose about 0.1 g/cm³ (Univ. of Arkansas, Greenhouse Management Online,
U7); the rest is geometry.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

MM3_PER_L = 1_000_000
_ROUNDING = 1e-9
"""A gutter is not lost to the last bit of a division."""


def bed_l(length_mm: float, width_mm: float, height_mm: float) -> float:
    """Litres of a bed with upright sides: length × width × height; ValueError for a negative."""
    if min(length_mm, width_mm, height_mm) < 0:
        raise ValueError(f"a bed of {length_mm} × {width_mm} × {height_mm} mm cannot be")
    return length_mm * width_mm * height_mm / MM3_PER_L


def bed_height_mm(volume_l: float, length_mm: float, width_mm: float) -> float:
    """How high `volume_l` litres lie over length × width; ValueError unless both are above zero."""
    if length_mm <= 0 or width_mm <= 0:
        raise ValueError(f"no bed lies on {length_mm} × {width_mm} mm")
    return volume_l * MM3_PER_L / (length_mm * width_mm)


def tamped_l(loose_l: float, ratio: float) -> float:
    """Litres that `loose_l` become under the press; ValueError for a ratio below 1."""
    if ratio < 1:
        raise ValueError(f"a tamp ratio of {ratio} would loosen the bed")
    return loose_l / ratio


def tamped_density_g_l(loose_g_l: float, ratio: float) -> float:
    """Bulk density under the press, g/l; ValueError for a ratio below 1."""
    if ratio < 1:
        raise ValueError(f"a tamp ratio of {ratio} would loosen the bed")
    return loose_g_l * ratio


def mass_kg(volume_l: float, density_g_l: float) -> float:
    """Mass of that volume at that bulk density, kg."""
    return volume_l * density_g_l / 1000


@dataclass(frozen=True)
class Bed:
    """The bed of one gutter. Heights in mm above the floor."""

    loose_mm: float
    tamped_mm: float
    depth_mm: float
    """From the gutter's rim to its floor."""

    @property
    def press_mm(self) -> float:
        """How far the press goes into the bed: loose height − tamped height."""
        return self.loose_mm - self.tamped_mm

    @property
    def over_rim_mm(self) -> float:
        """By how much the loose bed stands above the rim, where it falls off; 0 if it does not."""
        return max(0.0, self.loose_mm - self.depth_mm)


def bed(loose_l: float, length_mm: float, width_mm: float, depth_mm: float, ratio: float) -> Bed:
    """The bed that `loose_l` litres make over length × width, tamped by `ratio`."""
    return Bed(
        bed_height_mm(loose_l, length_mm, width_mm),
        bed_height_mm(tamped_l(loose_l, ratio), length_mm, width_mm),
        depth_mm,
    )


def gutters_until(full_l: float, limit_l: float, per_gutter_l: float) -> int:
    """Gutters that a hopper of `full_l` fills until its level is below `limit_l`, the last one
    whole: a gutter is begun while the level is at the limit or above it.

    Raises ValueError if a gutter takes nothing or a volume is negative.
    """
    if per_gutter_l <= 0 or limit_l < 0 or full_l < 0:
        raise ValueError(f"{full_l} l to {limit_l} l, {per_gutter_l} l a gutter cannot be")
    if full_l < limit_l:
        return 0
    begun = math.floor((full_l - limit_l) / per_gutter_l + _ROUNDING) + 1
    return min(begun, math.floor(full_l / per_gutter_l + _ROUNDING))
