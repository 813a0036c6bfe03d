"""From orders in kilograms to whole gutters: with losses and spread, and by a stated safety.

Of n gutters of a crop some are lost, each with the chance p: their number is binomial. The m that
are left yield m·y on the mean with a standard deviation of √m·v·y (y the yield, v its spread as a
share), normal as each of them. The probability that n gutters suffice is the sum of both over m.
A normal sum with p in its variance, which is simpler, takes three lost of fifteen for a wonder:
at p = 2 % they are lost once in 330 days.
"""

from __future__ import annotations

import math

from linectl.site.crops import Blend, Crop, CropFile

SURE = 0.95
"""Probability with which a crop's gutters of a day shall suffice."""


def packed_kg(crop: Crop) -> float:
    """Mean mass of a sown gutter, its loss allowed for."""
    return crop.yield_kg * (1 - crop.loss)


def sure_of(gutters: int, kg: float, crop: Crop) -> float:
    """Probability that so many sown gutters give at least `kg`."""
    return sum(
        _binomial(lost, gutters, crop.loss) * _reaches(gutters - lost, kg, crop)
        for lost in range(gutters + 1)
    )


def _binomial(k: int, n: int, chance: float) -> float:
    """Probability of k of n, by logarithms: the coefficients are past a float at n = 1030."""
    if not chance:
        return float(not k)
    ways = math.lgamma(n + 1) - math.lgamma(k + 1) - math.lgamma(n - k + 1)
    return math.exp(ways + k * math.log(chance) + (n - k) * math.log1p(-chance))


def _reaches(packed: int, kg: float, crop: Crop) -> float:
    """Probability that so many gutters, none of them lost, give at least `kg`."""
    more_kg = packed * crop.yield_kg - kg
    deviation_kg = math.sqrt(packed) * crop.yield_spread * crop.yield_kg
    if not deviation_kg:
        return float(more_kg >= -1e-9 * kg)
    return (1 + math.erf(more_kg / (deviation_kg * math.sqrt(2)))) / 2


def gutters_for(kg: float, crop: Crop, sure: float) -> int:
    """The least whole number of gutters that gives `kg` with the probability `sure`.

    Raises ValueError for kg below zero, and unless 0.5 ≤ sure < 1.
    """
    if kg < 0:
        raise ValueError(f"{kg} kg cannot be ordered")
    if not 0.5 <= sure < 1:
        raise ValueError(f"a probability from 0.5 to below 1 is wanted, not {sure:g}")
    if kg == 0:
        return 0
    gutters = max(1, math.floor(kg / crop.yield_kg))
    while sure_of(gutters, kg, crop) < sure:
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
