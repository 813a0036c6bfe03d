"""Readings against their references: error, hysteresis, scale and offset by least squares. Pure.

    reference ≈ raw × scale + offset, so that the sum of squared differences is least

With x = raw, y = reference: scale = Σ(x−x̄)(y−ȳ) / Σ(x−x̄)², offset = ȳ − scale·x̄ (ordinary least
squares, Gauss and Legendre; any textbook of statistics).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from statistics import StatisticsError, linear_regression
from typing import NamedTuple

POWERS = (0.001, 0.01, 0.1, 10.0, 100.0, 1000.0)
"""Factors by which a scale is set wrong."""
NOISE = 1e-9
"""What is left of rounding in a sum of floats is told as 0."""
POWER_WITHIN = 0.05
"""A slope within that share of a power of ten is called one."""


class Pair(NamedTuple):
    """One reference, in the point's unit, and what was read of it."""

    reference: float
    raw: float
    reading: float
    way: str
    """up or down."""


@dataclass(frozen=True)
class Fit:
    """Proposed scale and offset, and what is left over. Units of the point."""

    scale: float
    offset: float
    residual: float
    """The greatest difference that is left with them."""
    hysteresis: float
    """The greatest difference of the mean readings up and down at one reference."""
    error: float
    """The greatest difference as it is."""
    slope: float
    """Reading by reference: 1 where the scale is right."""

    def text(self, unit: str) -> str:
        """As the record keeps it."""
        offset = 0.0 if abs(self.offset) <= NOISE * max(1.0, abs(self.error)) else self.offset
        residual = 0.0 if self.residual <= NOISE * max(1.0, self.error) else self.residual
        return (
            f"scale {self.scale:.6g}, offset {offset:.6g}, residual {residual:.3g}"
            f" {unit}, hysteresis {self.hysteresis:.3g} {unit}, error as found {self.error:.3g}"
            f" {unit}"
        )


def fitted(pairs: Sequence[Pair]) -> Fit | None:
    """The fit of all pairs; None if raw does not change or there are fewer than two."""
    try:
        scale, offset = linear_regression([p.raw for p in pairs], [p.reference for p in pairs])
        slope, _ = linear_regression([p.reference for p in pairs], [p.reading for p in pairs])
    except StatisticsError:
        return None
    return Fit(
        scale,
        offset,
        max(abs(p.raw * scale + offset - p.reference) for p in pairs),
        _hysteresis(pairs),
        max(abs(p.reading - p.reference) for p in pairs),
        slope,
    )


def power_of_ten(slope: float) -> float | None:
    """The factor by which readings are off, if it is a power of ten."""
    for power in POWERS:
        if math.isclose(slope, power, rel_tol=POWER_WITHIN):
            return power
    return None


def _hysteresis(pairs: Sequence[Pair]) -> float:
    greatest = 0.0
    for reference in {p.reference for p in pairs}:
        up, down = (
            [p.reading for p in pairs if p.reference == reference and p.way == way]
            for way in ("up", "down")
        )
        if up and down:
            greatest = max(greatest, abs(sum(up) / len(up) - sum(down) / len(down)))
    return greatest
