"""Early and late: the formulas against a lane counted gutter by gutter, in fractions of a day."""

from __future__ import annotations

from collections import deque
from fractions import Fraction
from itertools import islice

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from linectl.crop.lateness import (
    Grown,
    Off,
    Stands,
    Work,
    leaving,
    missed,
    outlook,
    rates,
    slowed,
)
from linectl.crop.pace import DAY_MS, due_age_ms

N, D = 24, 12
"""A lane of 24 gutters that keeps 12 days: two a day."""


def residences(slots, days, ejects):
    """Days that each gutter stood, in the order they come out, of a lane that was at an even pace
    up to an eject at time 0; `ejects`: when the further ones are. One goes in for one out."""
    went_in = deque(Fraction(-days * n, slots) for n in reversed(range(slots)))
    found = []
    for at in ejects:
        found.append(at - went_in.popleft())
        went_in.append(at)
    return found


def at_rates(slots, days, a_day, for_days):
    """Times of ejects: so many days at `a_day`, then at the lane's own pace, without end.

    What is left of a gutter's time when the rate changes is done at the new rate.
    """
    keeps = Fraction(slots, days)
    done = Fraction(0)
    while a_day and (done + 1) / a_day <= for_days:
        done += 1
        yield done / a_day
    after = Fraction(for_days) + (done + 1 - a_day * for_days) / keeps
    while True:
        yield after
        after += 1 / keeps


def test_a_lane_that_keeps_its_rate_keeps_its_days():
    ejects = at_rates(N, D, Fraction(N, D), 5)
    assert residences(N, D, islice(ejects, 3 * N)) == [D] * 3 * N


@pytest.mark.parametrize("gutters", [1, 3, 24, 30])
def test_each_missed_gutter_ages_every_other_by_the_days_of_one_slot(gutters):
    """Harvest takes none until so many are missed, then one by one again."""
    pace = Fraction(D, N)
    ejects = [pace * (gutters + n) for n in range(1, N + 1)]
    found = residences(N, D, ejects)
    grown = missed(N, D, gutters)
    assert found == [D + grown.tail] * N
    assert grown == (gutters * 0.5, gutters * 0.5)


def test_what_was_missed_is_over_when_all_that_stood_have_come_out():
    ejects = [Fraction(D, N) * (3 + n) for n in range(1, 3 * N + 1)]
    found = residences(N, D, ejects)
    assert found[N:] == [D] * 2 * N


@given(
    st.integers(1, 40),
    st.integers(1, 40),
    st.fractions(0, 6, max_denominator=7),
    st.integers(0, 40),
)
@settings(max_examples=150)
def test_days_at_another_rate_come_out_as_counted_gutter_by_gutter(slots, days, a_day, for_days):
    found = residences(slots, days, islice(at_rates(slots, days, a_day, for_days), slots))
    grown = slowed(slots, days, float(a_day), for_days)
    assert float(sum(found) / slots) == pytest.approx(days + grown.mean, abs=1e-6)
    assert float(found[-1]) == pytest.approx(days + grown.tail, abs=1e-6)


def test_days_at_a_lower_rate_are_so_many_missed():
    """Four days at one a day instead of two: four missed, two days later from then on."""
    assert slowed(N, D, 1, 4) == Grown(tail=2, mean=pytest.approx(2 - (0.5 + 1 + 1.5 + 0) / 24))
    assert slowed(N, D, 1, 4).tail == missed(N, D, 4).tail
    assert slowed(N, D, 0, 4) == missed(N, D, 8) == (4, 4)
    assert slowed(N, D, 2, 4) == (0, 0)


def test_a_rate_that_stays_ends_at_littles_law():
    assert D + slowed(N, D, 3, 100).tail == pytest.approx(N / 3)
    assert D + slowed(N, D, 1, 100).tail == pytest.approx(N / 1)


def even(slots, days, tolerance=1.0, ripe=0.0):
    """A full lane at an even pace, from the tail on."""
    ages = [due_age_ms(n, slots, days * DAY_MS) / DAY_MS for n in reversed(range(slots))]
    return [Stands(age, days, ripe, tolerance) for age in ages]


def seen_at(lane, a_day):
    """Its outlook when so many a day are taken, evenly, day and night."""
    return outlook(lane, leaving(len(lane), (Work(day, day + 1, a_day) for day in range(1000))))


def test_an_even_lane_comes_out_in_time_at_the_rate_that_keeps_its_days_and_within_its_band():
    """364 gutters, 26 days: 14 a day (by hand); ± 1 day: 13.48 to 14.56."""
    band = rates(364, 26, 1)
    assert band == (pytest.approx(364 / 27), 14, pytest.approx(364 / 25))
    for a_day in band:
        assert seen_at(even(364, 26), a_day).first is None
    assert seen_at(even(364, 26), band.fastest * 1.02).first is not None
    assert seen_at(even(364, 26), band.slowest * 0.98).first is not None


def test_a_lane_that_gives_too_many_is_early_from_when_the_tolerance_is_passed():
    """14 keep 26 days and 18.2 are given: 0.3 days a day, so a day early after 3⅓ days, and 6 days
    (26 − 364 ÷ 18.2) when the last of them comes out."""
    seen = seen_at(even(364, 26, ripe=24), 18.2)
    assert seen.now == Off(0, 0)
    assert seen.first.in_days == pytest.approx(1 / 0.3, abs=1 / 18.2)
    assert seen.first.days == pytest.approx(-1, abs=0.05)
    assert seen.most == (pytest.approx(363 / 18.2), pytest.approx(363 / 18.2 - 363 / 14))
    assert seen.unripe_in == pytest.approx(2 / 0.3, abs=1 / 18.2)


def test_a_lane_that_gives_too_few_is_late_from_when_the_tolerance_is_passed():
    """7 of 14 a day: half a day a day, so a day late after two days."""
    seen = seen_at(even(364, 26), 7)
    assert seen.first.in_days == pytest.approx(2, abs=1 / 7)
    assert seen.first.days == pytest.approx(1, abs=0.1)
    assert seen.most == (pytest.approx(363 / 7), pytest.approx(363 / 14))
    assert seen.unripe_in is None


def test_when_nothing_is_taken_the_tail_is_late_when_its_own_days_are_over():
    lane = even(24, 12)
    assert seen_at(lane, 0).first == Off(1, 1)
    older = [lane[0]._replace(age=15.0), *lane[1:]]
    assert seen_at(older, 0).first == Off(0, 3)
    assert seen_at(older, 0).now == Off(0, 3)


def test_gutters_leave_evenly_in_the_shifts_that_take_them():
    """By hand: four in the quarter of a day from 0, then two and a half in that from 1, then 2."""
    works = [Work(0, 0.25, 4), Work(1, 1.25, 2.5), Work(2, 2.25, 0), Work(3, 3.25, 2.5)]
    assert leaving(9, works) == [
        0, 0.0625, 0.125, 0.1875, 1, 1.1, 1.2, 3.05, 3.15,
    ]  # fmt: skip
    assert leaving(10, works)[9] == float("inf")


def test_a_day_sown_in_one_shift_and_taken_in_one_shift_is_in_time():
    """Ages that step by a day from one day's gutters to the next are no lateness: 20 a day keep 24
    days, sown and taken in a tenth of a day."""
    ages = [day + 1 - 0.1 * (1 - place / 20) for day in range(24) for place in range(20)]
    lane = [Stands(age, 24, 22, 0.2) for age in reversed(ages)]
    leaves = leaving(len(lane), (Work(day, day + 0.1, 20) for day in range(30)))
    assert outlook(lane, leaves).first is None
    slower = leaving(len(lane), (Work(day, day + 0.1, 19) for day in range(30)))
    assert outlook(lane, slower).first.days > 0


def test_a_lane_of_which_a_part_is_older_is_late_where_that_part_comes_to_the_tail():
    """Two a day keep 12 days. Gutters 10 to 13 from the tail are three days older: the tenth comes
    to the tail when the ninth goes, in 4½ days."""
    lane = even(24, 12)
    for turn in range(10, 14):
        lane[turn] = lane[turn]._replace(age=lane[turn].age + 3)
    assert seen_at(lane, 2).first == Off(4.5, 3)


def test_a_gutter_whose_age_nobody_knows_takes_its_turn_and_tells_nothing():
    lane = even(24, 12)
    lane[0] = lane[0]._replace(age=None)
    assert seen_at(lane, 2) == (None, None, None, None)
    assert seen_at([], 2) == (None, None, None, None)


@pytest.mark.parametrize(
    "wrong",
    [
        lambda: rates(10, 5, 5),
        lambda: rates(10, 5, -1),
        lambda: missed(0, 5, 1),
        lambda: missed(10, 5, -1),
        lambda: slowed(10, 5, -1, 1),
        lambda: slowed(0, 5, 1, 1),
        lambda: leaving(3, [Work(1, 0, 5)]),
        lambda: leaving(3, [Work(0, 1, -5)]),
        lambda: outlook([], [1.0]),
    ],
)
def test_what_is_no_lane_is_refused(wrong):
    with pytest.raises(ValueError, match=r"\d|no work"):
        wrong()
