"""A blend worked out: cycle, order, what it weighs, and what a day's gutters give in packs.

Plain numbers in; `Blended` is what the command prints and a plan or the line may ask for.
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from linectl.crop.blends import Weighs, Yield, shares_of, smallest_cycle, weighs
from linectl.crop.order import EvenOrder, even_order
from linectl.crop.packs import Pack, Split, as_many, least_unsold, serve, whole_grams

SURE_SDS = 1.645
"""Standard deviations below the mean that 19 of 20 masses exceed (normal distribution)."""


@dataclass(frozen=True)
class Wanted:
    """A blend as it is asked: whole gutters, or shares of the mass within a tolerance."""

    gutters: Mapping[str, int] | None = None
    mass: Mapping[str, float] | None = None
    tolerance: float = 0.02

    @property
    def crops(self) -> tuple[str, ...]:
        """In the order in which they were named."""
        return tuple(self.gutters or self.mass or ())


@dataclass(frozen=True)
class Blended:
    """One cycle. weighs: what it weighs; None where yields are not known."""

    wanted: Wanted
    cycle: Mapping[str, int]
    even: EvenOrder
    yields: Mapping[str, Yield]
    weighs: Weighs | None

    @property
    def length(self) -> int:
        """Gutters of the cycle."""
        return len(self.even.order)

    @property
    def repeats_after(self) -> int:
        """Gutters after which the order begins again; less than `length` if the cycle is a
        multiple of a shorter one."""
        return self.length // math.gcd(*self.cycle.values())

    def first(self, gutters: int) -> dict[str, int]:
        """Of each crop among the first so many gutters, cycle after cycle."""
        cycles, rest = divmod(gutters, self.length)
        begun = Counter(self.even.order[:rest])
        return {crop: cycles * count + begun[crop] for crop, count in self.cycle.items()}

    def as_json(self) -> dict[str, Any]:
        """Keys as `blend --json` prints them; shares of 1, masses in kg, deviations in gutters."""
        told = self.weighs
        mass = self.wanted.mass
        return {
            "cycle": dict(self.cycle),
            "order": list(self.even.order),
            "max_deviation": float(self.even.deviation),
            "deviation_bound": float(self.even.bound),
            "repeats_after": self.repeats_after,
            "mass_shares": None if told is None else dict(told.shares),
            "mass_share_sds": None if told is None else dict(told.share_sds),
            "cycle_mass_kg": None if told is None else told.kg,
            "cycle_mass_sd_kg": None if told is None else told.sd_kg,
            "wanted_shares": None if mass is None else shares_of(mass),
            "tolerance": None if mass is None else self.wanted.tolerance,
        }


def blended(wanted: Wanted, yields: Mapping[str, Yield]) -> Blended:
    """Work a blend out. By gutters it needs no yields, and then tells no masses.

    Raises ValueError with a sentence: see `smallest_cycle`, `even_order`, `weighs`.
    """
    if wanted.mass is not None:
        cycle = smallest_cycle(wanted.mass, yields, wanted.tolerance)
    else:
        cycle = dict(wanted.gutters or {})
    even = even_order(cycle)
    known = all(crop in yields for crop in cycle)
    used = {crop: yields[crop] for crop in cycle if crop in yields}
    return Blended(wanted, cycle, even, used, weighs(cycle, yields) if known else None)


@dataclass(frozen=True)
class Ordered:
    """Packs of one size that are asked; None: as many as there is mass for."""

    pack: Pack
    packs: int | None


@dataclass(frozen=True)
class Packed:
    """What some gutters give in packs. expected: from their mean mass; sure: from what they weigh
    at least in 19 of 20 cases, as far as the spread of yields is known."""

    gutters: Mapping[str, int]
    weighs: Weighs
    sizes: tuple[Ordered, ...]
    expected: Split
    sure: Split
    alone: Mapping[Pack, tuple[int, int]]
    """Packs of a size that is not ordered, if all that the orders leave went into it: expected,
    and sure."""

    def as_json(self) -> dict[str, Any]:
        """Keys as `blend --json` prints them under "today"; masses in kg."""
        return {
            "gutters": dict(self.gutters),
            "mass_kg": self.weighs.kg,
            "mass_sd_kg": self.weighs.sd_kg,
            "sure_mass_kg": self.sure.mass_g / 1000,
            "packs": [
                {
                    "label_kg": size.pack.label_mg / 1e6,
                    "fill_kg": size.pack.fill_g / 1000,
                    "giveaway_kg": size.pack.giveaway_mg / 1e6,
                    "ordered": size.packs,
                    "packs": expected.packs,
                    "packs_sure": sure.packs,
                    "short": expected.short,
                    "short_sure": sure.short,
                    "alone": self.alone[size.pack][0] if size.packs is None else None,
                    "alone_sure": self.alone[size.pack][1] if size.packs is None else None,
                }
                for size, expected, sure in zip(
                    self.sizes, self.expected.filled, self.sure.filled, strict=True
                )
            ],
            "giveaway_kg": self.expected.giveaway_mg / 1e6,
            "left_kg": self.expected.left_g / 1000,
        }


def packed(
    gutters: Mapping[str, int], yields: Mapping[str, Yield], sizes: Sequence[Ordered]
) -> Packed:
    """Packs out of so many gutters: the orders in turn, the rest so that the most is sold.

    Raises ValueError: gutters of no yield, or a mass too great to be split.
    """
    told = weighs(gutters, yields)
    sure_g = whole_grams(told.kg - SURE_SDS * told.sd_kg)
    expected, alone = _split(whole_grams(told.kg), sizes)
    sure, alone_sure = _split(sure_g, sizes)
    both = {size: (packs, alone_sure[size]) for size, packs in alone.items()}
    return Packed(dict(gutters), told, tuple(sizes), expected, sure, both)


def _split(mass_g: int, sizes: Sequence[Ordered]) -> tuple[Split, dict[Pack, int]]:
    """Orders first, then the free sizes out of what they leave; in the order of `sizes`."""
    orders = serve(mass_g, [(size.pack, size.packs) for size in sizes if size.packs is not None])
    free = [size.pack for size in sizes if size.packs is None]
    rest = least_unsold(orders.left_g, free) if free else serve(orders.left_g, [])
    filled, free_filled = iter(orders.filled), iter(rest.filled)
    both = tuple(next(free_filled if size.packs is None else filled) for size in sizes)
    alone = {size: as_many(orders.left_g, size).filled[0].packs for size in free}
    return Split(mass_g, both, rest.left_g), alone
