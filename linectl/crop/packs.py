"""Packs from a mass: what a pack is filled to, how many there are, what is given away and left.

The filling machine's spread decides what has to be given away. Its target is the whole gram not
below label + z·σ, σ the standard deviation of its fills: with normal fills and z = 2 about 98 of
100 packs reach their label. z = 0 is the least that the average requirement of NIST Handbook 133
(checking packaged goods; as NIST's page of questions on packaging words it) leaves: the packs of a
lot hold on average what the label says. Its other requirement, no pack short by an unreasonable
amount, is looked up in its tables and not computed here. Which law holds, the packer knows.

Masses are whole grams, as scales show them, labels whole milligrams (an ounce is no whole gram);
so every count is exact, and no more is sold than there is.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from fractions import Fraction

from linectl.crop.decimals import as_written

Z = 2.0
"""Standard deviations of the filling by which a target is above the label: about 98 packs of 100
reach it (normal distribution)."""
GRAMS_MAX = 2_000_000
"""Mass over which several sizes are tried against each other gram by gram: a second or two."""


@dataclass(frozen=True)
class Pack:
    """A size of pack. label_mg: what it is sold as, mg; fill_g: what it holds on average, g."""

    label_mg: int
    fill_g: int

    @property
    def giveaway_mg(self) -> int:
        """More than the label, on average, mg a pack."""
        return self.fill_g * 1000 - self.label_mg


@dataclass(frozen=True)
class Filled:
    """Packs of one size. short: ordered and not filled, for want of mass."""

    pack: Pack
    packs: int
    short: int = 0


@dataclass(frozen=True)
class Split:
    """A mass as packs: mass_g = what is in them + left_g."""

    mass_g: int
    filled: tuple[Filled, ...]
    left_g: int

    @property
    def giveaway_mg(self) -> int:
        """Given away in all packs, mg."""
        return sum(each.packs * each.pack.giveaway_mg for each in self.filled)

    @property
    def sold_mg(self) -> int:
        """By their labels, mg."""
        return sum(each.packs * each.pack.label_mg for each in self.filled)


def pack(label_kg: float, fill_sd_kg: float = 0.0, z: float = Z) -> Pack:
    """A pack sold as `label_kg` from a filling of that standard deviation, kg.

    Raises ValueError unless the label is above zero, and spread and z are not below.
    """
    if not (label_kg > 0 and fill_sd_kg >= 0 and z >= 0):
        raise ValueError(
            f"a pack of {label_kg:g} kg, filled ± {fill_sd_kg:g} kg with z = {z:g}, is none:"
            " the label must be above zero, the others not below"
        )
    label_g = as_written(label_kg) * 1000
    fill_g = label_g + as_written(z) * as_written(fill_sd_kg) * 1000
    return Pack(math.ceil(label_g * 1000), math.ceil(fill_g))


def whole_grams(kg: float) -> int:
    """Whole grams in a mass of kg; what is less than one is left out. 0 for less than nothing."""
    return max(0, math.floor(as_written(kg) * 1000))


def serve(mass_g: int, orders: Sequence[tuple[Pack, int]]) -> Split:
    """The packs of each order, one order after the other as long as there is mass for a pack.

    An order that cannot be filled leaves the rest for the next, smaller ones. ValueError: a mass
    or an order below zero.
    """
    left = _mass(mass_g)
    filled = []
    for size, ordered in orders:
        if ordered < 0:
            raise ValueError(f"an order of {ordered} packs is none")
        packs = min(ordered, left // size.fill_g)
        left -= packs * size.fill_g
        filled.append(Filled(size, packs, ordered - packs))
    return Split(mass_g, tuple(filled), left)


def as_many(mass_g: int, size: Pack) -> Split:
    """As many packs of one size as there is mass for. ValueError: a mass below zero."""
    return serve(mass_g, [(size, _mass(mass_g) // size.fill_g)])


def least_unsold(mass_g: int, sizes: Sequence[Pack]) -> Split:
    """Packs of several sizes so that the most is sold by label: least given away and left over.

    Exact; among equals always the same one. Of all sizes but the one whose label is the
    greatest part of its fill, fewer packs than that fill's grams are needed: of so many some hold
    together a multiple of it, and can be packs of that size. What is beyond is of that size alone.
    Raises ValueError: a mass below zero, no sizes, more than GRAMS_MAX to be tried.
    """
    if not sizes:
        raise ValueError("no sizes of packs were told")
    best = max(sizes, key=lambda size: (Fraction(size.label_mg, size.fill_g), -size.fill_g))
    unit = math.gcd(*(size.fill_g for size in sizes))
    whole = _mass(mass_g) // unit
    others = max(size.fill_g for size in sizes) * (best.fill_g // unit)
    tried = min(whole, (others + best.fill_g) // unit)
    if tried * unit > GRAMS_MAX:
        raise ValueError(
            f"{mass_g / 1000:g} kg is too much to try all splits into such packs; split it by day"
        )
    of_best = -(-(whole - tried) * unit // best.fill_g)
    counts = _counts((mass_g - of_best * best.fill_g) // unit, sizes, unit)
    counts[sizes.index(best)] += of_best
    return serve(mass_g, list(zip(sizes, counts, strict=True)))


def _counts(whole: int, sizes: Sequence[Pack], unit: int) -> list[int]:
    """Packs of each size out of `whole` units, the most sold: the best of each smaller mass first.

    sold[m]: mg sold of at most m units; last[m]: the size of the pack taken last, or none (-1).
    """
    sold = [0] * (whole + 1)
    last = [-1] * (whole + 1)
    steps = [(n, size.fill_g // unit, size.label_mg) for n, size in enumerate(sizes)]
    for mass in range(1, whole + 1):
        most, which = sold[mass - 1], -1
        for n, fill, label in steps:
            if fill <= mass and sold[mass - fill] + label > most:
                most, which = sold[mass - fill] + label, n
        sold[mass], last[mass] = most, which
    counts = [0] * len(sizes)
    while whole > 0:
        if last[whole] < 0:
            whole -= 1
        else:
            counts[last[whole]] += 1
            whole -= steps[last[whole]][1]
    return counts


def _mass(mass_g: int) -> int:
    if mass_g < 0:
        raise ValueError(f"a mass of {mass_g} g is below zero")
    return mass_g
