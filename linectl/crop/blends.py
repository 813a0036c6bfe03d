"""Blends: gutters of each crop in a cycle from shares by mass, and what a cycle will weigh.

A cycle of n gutters of each crop, yielding y kg each, weighs M = Σ n·y, of which a crop's share is
n·y / M. Asked by mass, the least number of gutters is found for which every share is within a
tolerance of what was asked; the tolerance is absolute, 0.02 is two hundredths of the whole mass.

Spread: gutters of a crop differ among themselves, and all those of one day from those of another.
n gutters of one day vary by n·σ² + (n·τ)²; variances of crops add up; that of a share, a quotient,
is taken to first order (the delta method). Where τ is not known it is nought here, and the true
spread from day to day is rather greater.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from fractions import Fraction

from linectl.crop.decimals import as_written

LENGTH_MAX = 500
"""Gutters of a cycle beyond which none is looked for: days of harvest for one mixture."""
STEPS_MAX = 1_000_000
"""Counts tried before the search is given up: some seconds."""


@dataclass(frozen=True)
class Yield:
    """What a gutter of a crop yields, kg: mean, standard deviation between gutters of one day (σ),
    and of the days' means (τ)."""

    kg: float
    sd_kg: float = 0.0
    day_sd_kg: float = 0.0


@dataclass(frozen=True)
class Weighs:
    """What some gutters weigh, kg, and each crop's share of it (0 to 1), with the standard
    deviations of both."""

    kg: float
    sd_kg: float
    shares: Mapping[str, float]
    share_sds: Mapping[str, float]


def weighs(gutters: Mapping[str, int], yields: Mapping[str, Yield]) -> Weighs:
    """What so many gutters of one day weigh.

    Raises ValueError: a crop without a yield above zero, no gutters.
    """
    masses = {crop: count * _yield(yields, crop).kg for crop, count in gutters.items()}
    whole = math.fsum(masses.values())
    if not whole > 0:
        raise ValueError("no gutters weigh nothing: there are no shares of it")
    variances = {
        crop: count * yields[crop].sd_kg ** 2 + (count * yields[crop].day_sd_kg) ** 2
        for crop, count in gutters.items()
    }
    total = math.fsum(variances.values())
    shares = {crop: mass / whole for crop, mass in masses.items()}
    sds = {
        crop: math.sqrt((1 - s) ** 2 * variances[crop] + s**2 * (total - variances[crop])) / whole
        for crop, s in shares.items()
    }
    return Weighs(whole, math.sqrt(total), shares, sds)


def shares_of(ratio: Mapping[str, float]) -> dict[str, float]:
    """Shares of 1 from shares or from any ratio. ValueError unless every part is above zero."""
    return {crop: float(share) for crop, share in _shares(ratio).items()}


def smallest_cycle(
    mass: Mapping[str, float], yields: Mapping[str, Yield], tolerance: float
) -> dict[str, int]:
    """The fewest gutters that give every crop its share of the mass within `tolerance`.

    mass: shares, or any ratio. Every crop has at least one gutter. Of equally short cycles the
    one whose worst share is nearest to what was asked, then the one with the least sum of squares,
    then the one with fewer gutters of the crop named first. Numbers are taken as the decimals
    they are written as, so nothing is rounded; all shorter lengths have been searched.

    Raises ValueError: a share, yield or tolerance that is none; or no cycle of up to LENGTH_MAX.
    """
    if not 0 < tolerance < 1:
        raise ValueError(f"a tolerance of {tolerance:g} is not between 0 and 1")
    wanted = _shares(mass)
    each = {crop: as_written(_yield(yields, crop).kg) for crop in wanted}
    crops = sorted(wanted, key=lambda crop: -wanted[crop])  # the greatest share tells most of M
    search = _Search(
        [each[crop] for crop in crops], [wanted[crop] for crop in crops], as_written(tolerance)
    )
    for length in range(len(crops), LENGTH_MAX + 1):
        found = [dict(zip(crops, counts, strict=True)) for counts in search.cycles(length)]
        if found:
            best = min(found, key=lambda gutters: _misses(gutters, each, wanted))
            return {crop: best[crop] for crop in mass}
    raise ValueError(
        f"no cycle of up to {LENGTH_MAX} gutters comes within {tolerance:g} of these shares;"
        " widen the tolerance"
    )


def _misses(
    gutters: Mapping[str, int], each: Mapping[str, Fraction], wanted: Mapping[str, Fraction]
) -> tuple[Fraction, Fraction, list[int]]:
    whole = sum((count * each[crop] for crop, count in gutters.items()), Fraction(0))
    off = [abs(gutters[crop] * each[crop] / whole - share) for crop, share in wanted.items()]
    squares = sum((miss * miss for miss in off), Fraction(0))
    return max(off), squares, [gutters[crop] for crop in wanted]


def _yield(yields: Mapping[str, Yield], crop: str) -> Yield:
    if crop not in yields:
        raise ValueError(f"{crop}: its yield per gutter is not known")
    if not (yields[crop].kg > 0 and math.isfinite(yields[crop].kg)):
        raise ValueError(f"{crop}: a yield of {yields[crop].kg:g} kg a gutter must be above zero")
    return yields[crop]


def _shares(ratio: Mapping[str, float]) -> dict[str, Fraction]:
    if not ratio:
        raise ValueError("a blend of no crops has no shares")
    for crop, part in ratio.items():
        if not (part > 0 and math.isfinite(part)):
            raise ValueError(f"{crop}: a share of {part:g} must be above zero")
    parts = {crop: as_written(part) for crop, part in ratio.items()}
    whole = sum(parts.values(), Fraction(0))
    return {crop: part / whole for crop, part in parts.items()}


class _Search:
    """All cycles of one length whose shares are within the tolerance, in whole numbers.

    Yields are whole multiples of one mass, shares and tolerance of one part: with M the mass of
    the cycle, low·M ≤ parts·n·y ≤ high·M holds for each crop. Every count that is fixed narrows
    what M can be, and M what the other counts can be.
    """

    def __init__(
        self, yields: Sequence[Fraction], shares: Sequence[Fraction], tolerance: Fraction
    ) -> None:
        unit = math.lcm(*(y.denominator for y in yields))
        self._yields = [int(y * unit) for y in yields]
        self._parts = math.lcm(tolerance.denominator, *(s.denominator for s in shares))
        self._low = [max(0, int((s - tolerance) * self._parts)) for s in shares]
        self._high = [int((s + tolerance) * self._parts) for s in shares]
        self._steps = 0

    def cycles(self, length: int) -> Iterator[tuple[int, ...]]:
        """Counts by crop. Raises ValueError once STEPS_MAX counts have been tried in all."""
        least, most = length * min(self._yields), length * max(self._yields)
        yield from self._from(0, (), length, 0, least, most)

    def _from(
        self, crop: int, chosen: tuple[int, ...], left: int, mass: int, least: int, most: int
    ) -> Iterator[tuple[int, ...]]:
        """Go on with that crop: `left` gutters to give, `mass` given, M from `least` to `most`."""
        if crop == len(self._yields):
            if left == 0 and least <= mass <= most:
                yield chosen
            return
        bounds = [self._bounds(other, least, most) for other in range(crop, len(self._yields))]
        others_least = sum(low for low, _ in bounds[1:])
        others_most = sum(high for _, high in bounds[1:])
        first = max(bounds[0][0], left - others_most)
        last = min(bounds[0][1], left - others_least)
        for count in range(first, last + 1):
            self._steps += 1
            if self._steps > STEPS_MAX:
                raise ValueError("no cycle was found in reasonable time; widen the tolerance")
            of_crop = self._parts * count * self._yields[crop]
            lower = max(least, -(-of_crop // self._high[crop]))
            upper = min(most, of_crop // self._low[crop]) if self._low[crop] else most
            if lower <= upper:
                given = mass + count * self._yields[crop]
                yield from self._from(crop + 1, (*chosen, count), left - count, given, lower, upper)

    def _bounds(self, crop: int, least: int, most: int) -> tuple[int, int]:
        """Fewest and most gutters of that crop if M is from `least` to `most`."""
        each = self._parts * self._yields[crop]
        return max(1, -(-self._low[crop] * least // each)), self._high[crop] * most // each
