"""Student's t distribution for whole degrees of freedom: what few runs can tell.

By the finite sums of Abramowitz and Stegun, Handbook of Mathematical Functions (1964), 26.7.3 and
26.7.4 (from memory; the tests hold them against tables and another program).
"""

from __future__ import annotations

import math
from functools import lru_cache

_WIDEST = 1e6
"""Quantiles beyond it are not looked for."""
_HALVINGS = 70
"""From there to a billionth of a billionth of it."""


def within(t: float, freedom: int) -> float:
    """The probability that a t variable lies between −t and t; `freedom` degrees, 1 at least.

    Raises ValueError for a negative t or no degree of freedom.
    """
    if t < 0 or freedom < 1:
        raise ValueError(f"t {t:g} with {freedom} degrees of freedom: neither may be below that")
    angle = math.atan2(t, math.sqrt(freedom))
    cos, sin = math.cos(angle), math.sin(angle)
    odd = freedom % 2
    term = cos if odd else 1.0
    total = term if freedom > 1 else 0.0
    for step in range(2 + odd, freedom - 1, 2):
        term *= (step - 1) / step * cos * cos
        total += term
    return (angle + sin * total) * 2 / math.pi if odd else sin * total


@lru_cache(maxsize=256)
def quantile(confidence: float, freedom: int) -> float:
    """The t between whose negative and itself a t variable lies with that probability.

    Raises ValueError for a confidence outside 0 to 1 or no degree of freedom.
    """
    if not 0 < confidence < 1:
        raise ValueError(f"a confidence of {confidence:g} is outside 0 to 1")
    low, high = 0.0, _WIDEST
    for _ in range(_HALVINGS):
        middle = (low + high) / 2
        if within(middle, freedom) < confidence:
            low = middle
        else:
            high = middle
    return high
