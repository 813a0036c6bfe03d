"""Ahead of its crop's days, or behind: a gutter's age against its slot."""

from __future__ import annotations

import pytest

from linectl.crop.pace import DAY_MS, Pace, due_age_ms, pace

DAYS = 24 * DAY_MS


def test_at_the_tail_a_gutter_is_due_its_crops_days_and_half_way_half_of_them():
    assert due_age_ms(479, 480, DAYS) == DAYS
    assert due_age_ms(239, 480, DAYS) == DAYS / 2


def test_a_slot_that_the_lane_does_not_have_is_refused():
    with pytest.raises(ValueError, match="slot 480 of 480"):
        due_age_ms(480, 480, DAYS)


@pytest.mark.parametrize(
    ("age_days", "found"),
    [(10.9, Pace.AHEAD), (11, Pace.ON_PACE), (13, Pace.ON_PACE), (13.1, Pace.BEHIND)],
)
def test_a_gutter_within_a_day_of_its_pace_is_on_it(age_days, found):
    assert pace(age_days * DAY_MS, 12 * DAY_MS, DAYS) is found


def test_a_crop_of_a_few_days_is_held_to_a_twentieth_of_them():
    assert pace(3.4 * DAY_MS, 3 * DAY_MS, 6 * DAY_MS) is Pace.BEHIND
    assert pace(3.2 * DAY_MS, 3 * DAY_MS, 6 * DAY_MS) is Pace.ON_PACE
