"""What approaches from both sides say of a place: where it is, and how well it is found again.

Mean, reversal and range are those of a positioning test: ISO 230-2 takes five approaches from each
side; the mean bidirectional deviation is the mean of both sides' means, the reversal value their
difference (from memory). With fewer approaches the range is told instead of a standard deviation.
"""

from __future__ import annotations

from collections.abc import Sequence
from statistics import fmean
from typing import NamedTuple

SHARE = 0.5
"""Of the carriage's tolerance, which what was found may use up: the rest is for wear and sensors.
Common practice, no source."""


class Taught(NamedTuple):
    """A place as found, mm on the encoder."""

    mean_mm: float
    """Halfway between both sides' means."""
    spread_mm: float
    """The greater range of the two sides."""
    hysteresis_mm: float
    """By how much it reads more when it is reached going up than going down: the reversal."""
    n: int
    """Approaches of the side with fewer."""

    @property
    def off_mm(self) -> float:
        """How far from the mean it may stand, whichever side it comes from."""
        return abs(self.hysteresis_mm) / 2 + self.spread_mm


def taught(up_mm: Sequence[float], down_mm: Sequence[float]) -> Taught:
    """From readings of approaches going up, and going down. Raises ValueError if one has none."""
    if not up_mm or not down_mm:
        raise ValueError("a place is taught from both sides")
    up, down = fmean(up_mm), fmean(down_mm)
    spread = max(max(side) - min(side) for side in (up_mm, down_mm))
    return Taught((up + down) / 2, spread, up - down, min(len(up_mm), len(down_mm)))


def against(one: Taught, found_mm: int, tolerance_mm: int, bound_mm: int) -> str:
    """What speaks against writing it; empty if nothing does.

    found_mm: what the site's file says now; bound_mm: how far from that it may lie.
    """
    if one.off_mm > SHARE * tolerance_mm:
        return (
            f"it is not found well enough again: spread {one.spread_mm:.1f} mm, hysteresis"
            f" {one.hysteresis_mm:+.1f} mm; {SHARE * tolerance_mm:g} mm in all are allowed."
            " Look for slack, a loose flag, a slipping wheel"
        )
    if abs(one.mean_mm - found_mm) > bound_mm:
        return (
            f"it lies {one.mean_mm - found_mm:+.0f} mm from what the file says, more than"
            f" {bound_mm} mm: has the encoder lost its zero, or is it the next lane's flag?"
        )
    if round(one.mean_mm) < 0:
        return "it reads below 0: set the encoder's zero so that every place reads 0 or more"
    return ""
