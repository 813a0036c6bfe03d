"""From orders in kilograms to whole gutters: with losses and spread, and by a stated safety.

n gutters of one crop yield n·m on the mean, with a standard deviation of √n·s, where
m = y(1 − p) and s² = (1 − p)(v·y)² + p(1 − p)y² for a yield y of spread v (a share of y) and a
share p of gutters lost: the variance of a product with a Bernoulli variable. The sum of many is
taken as normal (central limit theorem), so that n gutters suffice with the probability of z
standard deviations if n·m − z·√n·s ≥ what is ordered.
"""

from __future__ import annotations

import math
from statistics import NormalDist

from linectl.site.crops import Blend, Crop, CropFile

SURE = 0.95
"""Probability with which a crop's gutters of a day shall suffice: z = 1.645."""


def z_of(sure: float) -> float:
    """Standard deviations of the one-sided probability `sure`; ValueError unless 0.5 ≤ p < 1."""
    if not 0.5 <= sure < 1:
        raise ValueError(f"a probability from 0.5 to below 1 is wanted, not {sure:g}")
    return NormalDist().inv_cdf(sure)


def packed_kg(crop: Crop) -> float:
    """Mean mass of a sown gutter, its loss allowed for."""
    return crop.yield_kg * (1 - crop.loss)


def deviation_kg(crop: Crop) -> float:
    """Standard deviation of a sown gutter's mass, lost ones counted as nothing."""
    kept = 1 - crop.loss
    spread = crop.yield_spread * crop.yield_kg
    return math.sqrt(kept * spread**2 + kept * crop.loss * crop.yield_kg**2)


def gutters_for(kg: float, crop: Crop, z: float) -> int:
    """The least whole number of gutters that gives `kg`, with a safety of z deviations.

    Raises ValueError for kg below zero.
    """
    if kg < 0:
        raise ValueError(f"{kg} kg cannot be ordered")
    if kg == 0:
        return 0
    mean, allowed = packed_kg(crop), z * deviation_kg(crop)
    # √n solves mean·x² − allowed·x − kg = 0; near a whole number the root may be off by one
    root = (allowed + math.sqrt(allowed**2 + 4 * mean * kg)) / (2 * mean)
    gutters = max(1, math.ceil(root**2) - 1)
    while gutters * mean - allowed * math.sqrt(gutters) < kg * (1 - 1e-12):
        gutters += 1
    return gutters


def blend_kg(kg: float, name: str, file: CropFile) -> dict[str, float]:
    """What a mass of a blend takes of each crop; a crop's own name is itself alone.

    A blend by gutters has the shares that its gutters yield on the mean. KeyError: no such name.
    """
    if name not in file.blends:
        return {name: kg} if file.crops[name] else {}
    parts = _parts(file.blends[name], file)
    total = sum(parts.values())
    return {crop: kg * part / total for crop, part in parts.items()}


def _parts(blend: Blend, file: CropFile) -> dict[str, float]:
    if blend.gutters is not None:
        return {crop: n * packed_kg(file.crops[crop]) for crop, n in blend.gutters.items()}
    return dict(blend.mass or {})
