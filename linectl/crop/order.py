"""The most even order of a blend's gutters: which crop's gutter goes next, over one cycle.

After k gutters of a cycle of D, of which n of a crop, its ideal count is k·n/D. The order found has
the least possible maximum of |count − ideal| over all crops and all k: a just-in-time sequence of
least maximum deviation. Exact, in whole numbers: gutter j of a crop keeps within a bound if its
place lies between an earliest and a latest one, so an order exists if each gutter finds a place of
its own. The earliest due first finds one if there is any; bisection finds the least bound.

Sources (from memory): Steiner and Yeomans, Management Science 39 (1993), for the places and the
bisection; Brauner and Crama, Discrete Applied Mathematics 134 (2004), for the bound 1 − 1/D, D of
the cycle in lowest terms; Tijdeman, Discrete Mathematics 32 (1980), for 1 − 1/(2(s − 1)) of s ≥ 2
crops. Tests hold the result against an enumeration.
"""

from __future__ import annotations

import heapq
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from fractions import Fraction
from itertools import repeat

CYCLE_MAX = 10_000
"""Gutters of a cycle beyond which it is refused: months of harvest, surely mistyped."""


@dataclass(frozen=True)
class EvenOrder:
    """One cycle. order: the crop of each gutter. deviation: greatest distance of any crop's count
    from its ideal, in gutters, over the whole cycle; bound: what it can never exceed."""

    order: tuple[str, ...]
    deviation: Fraction
    bound: Fraction


def even_order(gutters: Mapping[str, int]) -> EvenOrder:
    """The most even order of a cycle of so many gutters of each crop.

    A cycle that is a multiple of a shorter one is that one again and again: nothing is more even.
    Among equally even orders the one that takes what is due first, then the crop named first; so
    it is always the same one. Raises ValueError: no crop, a crop with less than one gutter, or
    more than CYCLE_MAX in all.
    """
    total = _checked(gutters)
    times = math.gcd(*gutters.values())
    counts = [count // times for count in gutters.values()]
    length = total // times
    low, high = _least_thinkable(counts, length), length - 1
    placed = _placed(counts, length, high)
    if placed is None:
        raise ArithmeticError(f"{dict(gutters)}: no order within 1 − 1/{length}, against the proof")
    while low < high:
        middle = (low + high) // 2
        found = _placed(counts, length, middle)
        if found is None:
            low = middle + 1
        else:
            high, placed = middle, found
    names = list(gutters)
    order = tuple(names[place] for place in placed) * times
    return EvenOrder(order, Fraction(high, length), deviation_bound(gutters))


def deviation_bound(gutters: Mapping[str, int]) -> Fraction:
    """What the deviation of the most even order can never exceed, in gutters; always below 1."""
    total = _checked(gutters)
    bound = 1 - Fraction(math.gcd(*gutters.values()), total)
    if len(gutters) > 1:
        bound = min(bound, 1 - Fraction(1, 2 * (len(gutters) - 1)))
    return bound


def deviation(order: Sequence[str]) -> Fraction:
    """The greatest |count − ideal| of any order, as it is, in gutters. ValueError of none."""
    if not order:
        raise ValueError("an order of no gutters has no deviation")
    totals = {crop: order.count(crop) for crop in order}
    counts = dict.fromkeys(totals, 0)
    worst = 0
    for place, crop in enumerate(order, 1):
        counts[crop] += 1
        worst = max(worst, *(abs(counts[c] * len(order) - place * totals[c]) for c in totals))
    return Fraction(worst, len(order))


def _checked(gutters: Mapping[str, int]) -> int:
    """Gutters in all."""
    if not gutters:
        raise ValueError("a blend of no crops has no order")
    for crop, count in gutters.items():
        if count < 1:
            raise ValueError(f"{crop}: {count} gutters; each crop of a blend has at least one")
    total = sum(gutters.values())
    if total > CYCLE_MAX:
        raise ValueError(f"a cycle of {total} gutters; {CYCLE_MAX} are the most")
    return total


def _least_thinkable(counts: Sequence[int], length: int) -> int:
    """A lower bound of deviation × length: no count is nearer to its ideal than a whole number is.

    The ideals of a crop with g = gcd(n, D) run through all multiples of g/D.
    """
    steps = (math.gcd(count, length) for count in counts)
    return max(step * (length // (2 * step)) for step in steps)


def _placed(counts: Sequence[int], length: int, most: int) -> list[int] | None:
    """Crops by number in order, with no deviation above most/length; None if there is none.

    Gutter j (from 1) of n may stand at place k if j − k·n/D ≤ most/D and, as long as it is not yet
    there, (k − 1)·n/D − (j − 1) ≤ most/D.
    """
    opening: list[list[tuple[int, int]]] = [[] for _ in repeat(None, length + 1)]
    for crop, count in enumerate(counts):
        for j in range(1, count + 1):
            earliest = max(1, -((most - j * length) // count))
            latest = min(length, ((j - 1) * length + most) // count + 1)
            if earliest > latest:
                return None
            opening[earliest].append((latest, crop))
    waiting: list[tuple[int, int]] = []
    placed: list[int] = []
    for place in range(1, length + 1):
        for each in opening[place]:
            heapq.heappush(waiting, each)
        if not waiting or waiting[0][0] < place:
            return None
        placed.append(heapq.heappop(waiting)[1])
    return placed
