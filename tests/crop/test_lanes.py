"""Residence by Little's law: L = λW (J. D. C. Little, Operations Research 9, 1961)."""

from __future__ import annotations

import random
from collections import deque

import pytest
from hypothesis import given
from hypothesis import strategies as st

from linectl.crop import lanes


def test_2880_slots_at_120_gutters_a_day_are_24_days() -> None:
    assert lanes.residence_days(2880, 120) == 24
    assert lanes.gutters_per_day(2880, 24) == 120
    assert lanes.gutters_in_shift(2 * 3_600_000, 60_000) == 120


@given(st.integers(1, 10_000), st.floats(0.01, 10_000))
def test_residence_and_rate_undo_each_other(slots: int, per_day: float) -> None:
    days = lanes.residence_days(slots, per_day)
    assert lanes.gutters_per_day(slots, days) == pytest.approx(per_day)
    assert lanes.standing(per_day, days) == pytest.approx(slots)


def test_a_full_row_with_random_harvest_obeys_it() -> None:
    """One in for one out at random intervals: counted residences against L ÷ λ, within 2 %."""
    slots, days = 48, 0.0
    clock = random.Random(5)
    row = deque([0.0] * slots)
    residences: list[float] = []
    while len(residences) < 200 * slots:
        days += clock.expovariate(2.0)
        residences.append(days - row.popleft())
        row.append(days)
    settled = residences[slots:]
    mean = sum(settled) / len(settled)
    assert mean == pytest.approx(lanes.residence_days(slots, len(residences) / days), rel=0.02)


@pytest.mark.parametrize(("slots", "rate"), [(-1, 1), (1, 0), (1, -1)])
def test_impossible_numbers_are_refused(slots: int, rate: int) -> None:
    with pytest.raises(ValueError, match="residence"):
        lanes.residence_days(slots, rate)
