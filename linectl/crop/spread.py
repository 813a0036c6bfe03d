"""How figures spread: median, percentiles, classes of a histogram, and sums as a Pareto.

Plain numbers in and out. Percentiles by linear interpolation between order statistics (type 7 of
Hyndman and Fan, The American Statistician 50, 1996: the h = (n − 1)·p + 1 rule).
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Iterable, Sequence
from typing import NamedTuple


def percentile(values: Sequence[float], share: float) -> float | None:
    """The value below which `share` (0 to 1) of them lie; None of none. ValueError for a share
    outside 0 to 1."""
    if not 0 <= share <= 1:
        raise ValueError(f"a share of {share} is outside 0 to 1")
    if not values:
        return None
    ranked = sorted(values)
    place = (len(ranked) - 1) * share
    low = math.floor(place)
    high = min(low + 1, len(ranked) - 1)
    return ranked[low] + (ranked[high] - ranked[low]) * (place - low)


class Class(NamedTuple):
    """One class of a histogram: start ≤ value < end; found: how many."""

    start: float
    end: float
    found: int


def histogram(values: Sequence[float], width: float) -> list[Class]:
    """The classes of `width` that hold any, in order; their bounds are multiples of the width.

    ValueError unless width > 0.
    """
    if width <= 0:
        raise ValueError(f"classes of {width} make no histogram")
    counts = Counter(math.floor(value / width) for value in values)
    return [Class(n * width, (n + 1) * width, counts[n]) for n in sorted(counts)]


class Part(NamedTuple):
    """One row of a Pareto. share: of the whole; cumulative: of this row and all before it."""

    name: tuple[str, ...]
    total: float
    times: int
    longest: float
    share: float
    cumulative: float


def pareto(amounts: Iterable[tuple[tuple[str, ...], float]]) -> list[Part]:
    """Amounts summed by name, the greatest sum first; equal ones by name. Shares are 0 of 0."""
    sums: dict[tuple[str, ...], list[float]] = {}
    for name, amount in amounts:
        sums.setdefault(name, []).append(amount)
    whole = sum(sum(each) for each in sums.values())
    parts: list[Part] = []
    before = 0.0
    for name, each in sorted(sums.items(), key=lambda row: (-sum(row[1]), row[0])):
        total = sum(each)
        before += total
        share, cumulative = (total / whole, before / whole) if whole else (0.0, 0.0)
        parts.append(Part(name, total, len(each), max(each), share, cumulative))
    return parts
