"""Key performance indicators of a unit over a shift, from plain numbers: availability to OEE index.

Availability = APT / PBT, effectiveness = PRI · PQ / APT, quality ratio = GQ / PQ, OEE index = the
product of the three. Source: ISO 22400-2:2014, as quoted in OPC 40501-1 v1.01, Annex C.2.4. What
the terms mean on a line is for the caller to say; here they are numbers.

Nothing is clamped: an effectiveness above 1 says that the line ran faster than was planned, or that
PRI is set too long. Cutting it off at 1 would hide either.
"""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class Terms:
    """What the figures are made of. Times in ms, quantities in gutters.

    pbt_ms: planned busy time. apt_ms: actual production time. pri_ms: planned run time per item.
    produced (PQ): what came out. good (GQ): how many of these need nothing more.
    Raises ValueError for a negative term, or more good ones than were produced.
    """

    pbt_ms: float
    apt_ms: float
    pri_ms: float
    produced: int
    good: int

    def __post_init__(self) -> None:
        if min(self.pbt_ms, self.apt_ms, self.pri_ms, self.produced, self.good) < 0:
            raise ValueError(f"a term below zero: {self}")
        if self.good > self.produced:
            raise ValueError(f"{self.good} good of {self.produced} produced")


@dataclass(frozen=True)
class Figures:
    """Shares of 1, which may be above 1; None where there is nothing to divide by."""

    availability: float | None
    effectiveness: float | None
    quality_ratio: float | None
    oee_index: float | None


def figures(terms: Terms) -> Figures:
    """The four figures.

    The OEE index is taken as GQ · PRI / PBT, which is what the product comes to: so a shift without
    a gutter has an index of 0, though it has no quality ratio.
    """
    return Figures(
        availability=_ratio(terms.apt_ms, terms.pbt_ms),
        effectiveness=_ratio(terms.pri_ms * terms.produced, terms.apt_ms),
        quality_ratio=_ratio(terms.good, terms.produced),
        oee_index=_ratio(terms.good * terms.pri_ms, terms.pbt_ms),
    )


def _ratio(part: float, whole: float) -> float | None:
    return part / whole if whole > 0 else None
