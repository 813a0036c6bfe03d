"""How long a step takes, what its time-out should be for that, and whether it has drifted.

Plain arithmetic on durations in ms. The median, quartiles and the greatest of a sample are robust
against what a mean is not: one long step among many.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import NamedTuple

MARGIN = 0.25
"""Of the longest motion, left above it. Common practice, no source."""
ROUND_MS = 100
"""Time-outs are proposed in whole tenths of a second."""
CYCLES_LEAST = 10
"""Fewer durations are no ground for a proposal, nor for a word on drift: common practice, no
source. `covered` says what so many are worth."""
CONFIDENCE = 0.95
NOTCH = 1.57
"""Half a notch of a box plot is 1.57 × the quartiles' distance ÷ √n; where notches of two samples
do not overlap, their medians differ at about the 5 % level. McGill, Tukey and Larsen, The American
Statistician 32 (1978), from memory."""
DRIFT_SHARE = 0.05
"""Of the median that was: what differs by less is no drift, however certain. Common practice, no
source."""


class Spread(NamedTuple):
    """A step's durations in ms."""

    n: int
    least: float
    lower: float
    """The first quartile."""
    median: float
    upper: float
    """The third quartile."""
    p95: float
    most: float


class Proposal(NamedTuple):
    """A time-out in ms, and why it is that long. `ms` None: none can be given."""

    ms: int | None
    why: str


def quantile(ordered: Sequence[float], share: float) -> float:
    """The value that a share of an ordered sample is not above, between neighbours linearly.

    Type 7 of Hyndman and Fan, The American Statistician 50 (1996), from memory: the one that
    most spreadsheets have. Raises ValueError for an empty sample.
    """
    if not ordered:
        raise ValueError("no durations")
    place = (len(ordered) - 1) * share
    low = math.floor(place)
    high = min(low + 1, len(ordered) - 1)
    return ordered[low] + (place - low) * (ordered[high] - ordered[low])


def spread(durations_ms: Sequence[float]) -> Spread:
    """What a sample says of its step. Raises ValueError for an empty sample."""
    ordered = sorted(durations_ms)
    cuts = [quantile(ordered, share) for share in (0.0, 0.25, 0.5, 0.75, 0.95, 1.0)]
    return Spread(len(ordered), *cuts)


def covered(n: int, confidence: float = CONFIDENCE) -> float:
    """The share of all steps that will not be longer than the longest of n, with that confidence.

    The chance that n independent durations all lie within the lower share p is pⁿ, so the share is
    (1 − confidence)^(1/n), whatever the distribution: a tolerance limit by order statistics, Wilks,
    Annals of Mathematical Statistics 12 (1941), from memory. 59 give 95 % with 95 %.
    """
    return 0.0 if n < 1 else float((1 - confidence) ** (1 / n))


def propose(
    steps: Sequence[Spread], motion_ms: float, allowance_ms: int, now_ms: int, jam_ms: int | None
) -> Proposal:
    """The time-out for steps that share it, by the rule that the help of `calibrate timers` states.

    A quarter more than the greatest of: the longest duration seen, the motion as the site has it;
    and what the controller needs to see it end. Never above the jam limit. Where none is declared,
    never above what it is now: a longer time-out finds a jam later, and nobody has said how late.
    """
    enough = [one for one in steps if one.n >= CYCLES_LEAST]
    if not enough:
        return Proposal(None, f"fewer than {CYCLES_LEAST} good cycles")
    longest = max(motion_ms, *(one.most for one in steps))
    wanted = _tenths(longest * (1 + MARGIN) + allowance_ms)
    least = _tenths(motion_ms + allowance_ms)
    bound = now_ms if jam_ms is None else jam_ms
    if wanted <= bound:
        return Proposal(wanted, "the longest and a quarter")
    if bound < least:
        return Proposal(None, "the motion itself takes longer than may be")
    if bound < longest + allowance_ms:
        return Proposal(None, "good cycles take longer than may be: look at the machine")
    if jam_ms is None:
        return Proposal(bound, "no jam limit is declared: not lengthened")
    return Proposal(bound, "the jam limit")


def has_drifted(now: Spread, before: Spread, seen_every_ms: int) -> bool:
    """Whether the medians of two samples of a step differ for certain, and by enough to matter.

    They do where the notches of their box plots do not overlap and the medians are further apart
    than DRIFT_SHARE of what was, and than `seen_every_ms`, in which the controller sees an end.
    """
    if min(now.n, before.n) < CYCLES_LEAST:
        return False
    apart = abs(now.median - before.median)
    notches = _half_notch(now) + _half_notch(before)
    return apart > notches and apart > max(DRIFT_SHARE * before.median, seen_every_ms)


def _half_notch(one: Spread) -> float:
    return NOTCH * (one.upper - one.lower) / math.sqrt(one.n)


def _tenths(ms: float) -> int:
    return math.ceil(ms / ROUND_MS) * ROUND_MS
