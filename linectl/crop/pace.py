"""Is a gutter ahead of its crop's days, or behind them: its age held against its slot.

A lane is first in, first out, so a gutter that stands at slot n of N has gone (n + 1) / N of its
way. If the lane keeps an even pace and takes the crop's days from mouth to tail, its age there is
that share of the days (Little's law along the lane: slots gone = rate · age). Younger than that:
*ahead*, the tail will come before the crop's days are over. Older: *behind*, it will be harvested
late. Wider pitch toward the tail alters nothing: what counts is slots, not metres.
"""

from __future__ import annotations

from enum import StrEnum

DAY_MS = 86_400_000
TOLERANCE_MS = DAY_MS
"""A gutter within a day of its pace is on it: a line that sows one shift a day makes ages that
step by a day from one day's gutters to the next (common practice, no source)."""
TOLERANCE_SHARE = 0.05
"""But no more than this share of its crop's days: for crops that stand a few days only."""


class Pace(StrEnum):
    """How a gutter stands to its crop's days."""

    AHEAD = "ahead"
    ON_PACE = "on pace"
    BEHIND = "behind"


def due_age_ms(slot: int, slots: int, days_ms: float) -> float:
    """Age at an even pace of a gutter that stands in `slot` (0 at the mouth) of `slots`.

    ValueError for a slot that the lane does not have.
    """
    if not 0 <= slot < slots:
        raise ValueError(f"slot {slot} of {slots}")
    return days_ms * (slot + 1) / slots


def tolerance_ms(days_ms: float) -> float:
    """How far from its pace a gutter of a crop of so many days may be and still be on it."""
    return min(TOLERANCE_MS, days_ms * TOLERANCE_SHARE)


def pace(age_ms: float, due_ms: float, days_ms: float) -> Pace:
    """Ahead if younger than due by more than the tolerance, behind if older by more.

    days_ms: its crop's days.
    """
    tolerance = tolerance_ms(days_ms)
    if age_ms < due_ms - tolerance:
        return Pace.AHEAD
    if age_ms > due_ms + tolerance:
        return Pace.BEHIND
    return Pace.ON_PACE
