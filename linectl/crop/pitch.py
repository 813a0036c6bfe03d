"""Slots on a deck whose pitch widens from mouth to tail: how many fit, and what length they take.

n gutters have n − 1 gaps. From the outer edge of the first gutter to that of the last they take the
sum of the gaps, middle to middle, and one gutter's width: half of the first, half of the last.
That is geometry; nothing here is empirical. Lengths are reckoned as they are written, in decimals,
so that ten gaps of 100.1 mm do fit on 1001 mm.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from fractions import Fraction
from itertools import chain, repeat
from typing import NamedTuple

Pitch = float | Sequence[float]
"""One pitch for all gaps of a row, or one for each gap; mm."""


class Step(NamedTuple):
    """A part of a pitch schedule: so many gaps of one pitch."""

    gaps: int
    pitch_mm: float


def gaps_mm(slots: int, pitch_mm: Pitch) -> tuple[float, ...]:
    """The gaps of a row of `slots`, from its mouth on.

    Raises ValueError without a slot, or if a list has not one pitch for each gap.
    """
    if slots < 1:
        raise ValueError(f"{slots} slots are no row")
    if isinstance(pitch_mm, Sequence):
        if len(pitch_mm) != slots - 1:
            raise ValueError(f"{len(pitch_mm)} pitches for the {slots - 1} gaps of {slots} slots")
        return tuple(pitch_mm)
    return (pitch_mm,) * (slots - 1)


def deck_mm(width_mm: float, gaps: Iterable[float]) -> float:
    """Length of deck that a row takes from outer edge to outer edge.

    width_mm: of a gutter. Raises ValueError for a gap in which two gutters would overlap.
    """
    return float(_exact(width_mm) + sum(_checked(width_mm, gaps), Fraction(0)))


def slots_on(length_mm: float, width_mm: float, gaps: Iterable[float]) -> int:
    """How many slots fit on a deck when each next gutter stands at the next gap.

    gaps: may be endless; one that ends ends the row. 0 if not even one gutter fits. Raises
    ValueError for a gap in which two gutters would overlap.
    """
    left = _exact(length_mm) - _exact(width_mm)
    if left < 0:
        return 0
    slots = 1
    for gap in _checked(width_mm, gaps):
        left -= gap
        if left < 0:
            return slots
        slots += 1
    return slots


def stepped(steps: Iterable[Step], then_mm: float | None = None) -> Iterator[float]:
    """The gaps of a schedule in steps; after the last one `then_mm` without end, if given."""
    endless = () if then_mm is None else repeat(then_mm)
    return chain((step.pitch_mm for step in steps for _ in range(step.gaps)), endless)


def widening(first_mm: float, last_mm: float, slots: int) -> tuple[float, ...]:
    """Gaps that grow by equal amounts from the first to the last. ValueError for less than 3."""
    if slots < 3:
        raise ValueError(f"{slots} slots have no two gaps of which one could be wider")
    first, growth = _exact(first_mm), _exact(last_mm) - _exact(first_mm)
    return tuple(float(first + growth * n / (slots - 2)) for n in range(slots - 1))


def slots_widening(length_mm: float, width_mm: float, first_mm: float, last_mm: float) -> int:
    """How many slots fit if the gaps grow by equal amounts from the first to the last.

    n − 1 gaps have the mean of both pitches (sum of an arithmetic series), so n − 1 is the length
    but for one gutter's width ÷ that mean, rounded down. Fewer than 3: the schedule has no sense
    there, and the first pitch is taken. ValueError as `slots_on`.
    """
    first, last = _checked(width_mm, (first_mm, last_mm))
    free = _exact(length_mm) - _exact(width_mm)
    slots = 1 + int(free * 2 / (first + last)) if free >= 0 else 0
    return slots if slots >= 3 else slots_on(length_mm, width_mm, [first_mm])


def own_mm(gaps: Sequence[float]) -> tuple[float, ...]:
    """Length of deck that each slot of a row has to itself: half the gap on either side.

    The first and the last have their one gap whole, as if the row went on. ValueError without one.
    """
    if not gaps:
        raise ValueError("a single slot has no pitch")
    before, after = (gaps[0], *gaps), (*gaps, gaps[-1])
    return tuple((a + b) / 2 for a, b in zip(before, after, strict=True))


def _checked(width_mm: float, gaps: Iterable[float]) -> Iterator[Fraction]:
    width = _exact(width_mm)
    if width <= 0:
        raise ValueError(f"width_mm {width_mm} must be above zero")
    for gap in gaps:
        exact = _exact(gap)
        if exact < width:
            raise ValueError(f"a pitch of {gap} mm is less than the gutter's width, {width_mm} mm")
        yield exact


def _exact(mm: float) -> Fraction:
    """As it is written in decimals, which is what a person measured."""
    return Fraction(str(mm))
