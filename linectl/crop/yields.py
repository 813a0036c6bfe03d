"""The yield of a crop per gutter, corrected by what was weighed: a running estimate.

Method: an exponentially weighted mean. What was weighed HALF_LIFE gutters of the crop ago counts
half; crops.yaml's figure counts at first as PRIOR gutters, and fades likewise. A weighing is of
one gutter (a scale at packing) or of a lot's gutters, which count as LOT_MOST at most: they
resemble one another. Two standard deviations are kept in the same way, between single gutters and
between the means of lots, each from weighings of its own kind: neither follows from the other.

A weighing more than DOUBT standard deviations from what was expected is in doubt: it is told and
moves nothing, for it may be mistyped. If the next one of its kind is as far off on the same side,
the yield has changed: that one counts as it is. So one slip does no harm, and no estimate sticks to
a yield that is gone.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass, replace

from linectl.crop.blends import Yield

HALF_LIFE = 200.0
"""Gutters; a week or two of a crop on a line of a hundred a day (judgement, no source)."""
PRIOR = 20.0
"""Gutters that crops.yaml's figure stands for at first (judgement, no source)."""
LOT_MOST = 50
"""Gutters as which a larger lot counts, and makes others fade (judgement, no source)."""
LOT_SPREAD = 0.1
"""Standard deviation between lots' means at first, as a share of the yield (common practice, no
source)."""
PRIOR_LOTS = 5.0
HALF_LIFE_LOTS = 10.0
"""Lots: what stands for LOT_SPREAD at first, and after which a lot counts half in it."""
DOUBT = 4.0
"""Standard deviations; of normal weighings one in sixteen thousand is as far off."""


@dataclass(frozen=True)
class Weighing:
    """What was weighed: kg of so many gutters of one crop. what: a packing lot or a gutter."""

    crop: str
    gutters: int
    kg: float
    what: str


@dataclass(frozen=True)
class Doubt:
    """A weighing far from what was expected; counted: the one before it was as far off."""

    weighing: Weighing
    expected_kg: float
    counted: bool


@dataclass(frozen=True)
class Spread:
    """A standard deviation, kg a gutter, with the weight behind it; side: of the last weighing of
    its kind, if that was in doubt: 1 above, -1 below, else 0."""

    sd_kg: float
    weight: float
    side: int = 0


@dataclass(frozen=True)
class Running:
    """Where the estimate stands. weighings, gutters, lots_weighed: those that have moved it."""

    kg: float
    weight: float
    """Gutters that it stands for at present."""
    singles: Spread
    lots: Spread
    weighings: int = 0
    gutters: int = 0
    lots_weighed: int = 0
    doubts: tuple[Doubt, ...] = ()

    @property
    def per_gutter(self) -> Yield:
        """As blends reckon with it; what days differ by only if lots have been weighed."""
        return Yield(self.kg, self.singles.sd_kg, self.lots.sd_kg if self.lots_weighed else 0.0)


def running(first: Yield, weighings: Iterable[Weighing]) -> Running:
    """The yield after these weighings of one crop, the oldest first; `first`: crops.yaml's.

    Raises ValueError: a yield that is none, or a weighing of no gutter or of less than nothing.
    """
    if not first.kg > 0 or first.sd_kg < 0:
        raise ValueError(f"a yield of {first.kg:g} ± {first.sd_kg:g} kg a gutter is none")
    singles, lots = Spread(first.sd_kg, PRIOR), Spread(LOT_SPREAD * first.kg, PRIOR_LOTS)
    state = Running(first.kg, PRIOR, singles, lots)
    for weighing in weighings:
        state = weighed(state, weighing)
    return state


def weighed(state: Running, weighing: Weighing) -> Running:
    """The estimate after one more weighing. Raises ValueError as `running` does."""
    gutters = weighing.gutters
    if gutters < 1 or not weighing.kg >= 0:
        raise ValueError(f"{weighing.what}: {weighing.kg:g} kg of {gutters} gutters is no weighing")
    single = gutters == 1
    spread = state.singles if single else state.lots
    off = weighing.kg / gutters - state.kg
    side = 0
    if spread.sd_kg and abs(off) > DOUBT * spread.sd_kg:
        side = 1 if off > 0 else -1
        counted = side == spread.side
        doubt = Doubt(weighing, gutters * state.kg, counted)
        state = replace(state, doubts=(*state.doubts, doubt))
        if not counted:
            return _with_spread(state, single, replace(spread, side=side))
    counts_as = min(gutters, LOT_MOST)
    weight = state.weight * 0.5 ** (counts_as / HALF_LIFE) + counts_as
    state = replace(
        state,
        kg=state.kg + off * counts_as / weight,
        weight=weight,
        weighings=state.weighings + 1,
        gutters=state.gutters + gutters,
        lots_weighed=state.lots_weighed + (not single),
    )
    return _with_spread(
        state, single, _spread(spread, off, HALF_LIFE if single else HALF_LIFE_LOTS, side)
    )


def _spread(spread: Spread, off: float, half_life: float, side: int) -> Spread:
    """With one more deviation; one in doubt counts as if it were just not."""
    weight = spread.weight * 0.5 ** (1 / half_life) + 1
    far = min(abs(off), DOUBT * spread.sd_kg) if side else abs(off)
    sd_kg = math.sqrt(spread.sd_kg**2 + (far**2 - spread.sd_kg**2) / weight)
    return Spread(sd_kg, weight, side)


def _with_spread(state: Running, single: bool, spread: Spread) -> Running:
    return replace(state, singles=spread) if single else replace(state, lots=spread)
