"""Slots on a deck: the closed forms against laying gutters down one by one."""

from __future__ import annotations

from fractions import Fraction
from itertools import count

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from linectl.crop.pitch import (
    Step,
    deck_mm,
    gaps_mm,
    own_mm,
    slots_on,
    slots_widening,
    stepped,
    widening,
)

mm = st.decimals(80, 300, places=1).map(float)


def test_a_row_of_90_at_90_mm_takes_its_89_gaps_and_one_gutter():
    """By hand: 89 · 90 + 80 = 8,090 mm."""
    assert deck_mm(80, gaps_mm(90, 90)) == 8090
    assert slots_on(8090, 80, gaps_mm(500, 90)) == 90
    assert slots_on(8089.9, 80, gaps_mm(500, 90)) == 89
    assert slots_on(79.9, 80, gaps_mm(500, 90)) == 0
    assert slots_on(80, 80, gaps_mm(500, 90)) == 1


def test_a_schedule_in_steps_goes_on_at_its_last_pitch():
    """By hand: 80 + 4 · 90 + 3 · 120 + 2 · 180 = 1,160 mm for ten slots; an eleventh wants 180."""
    steps = [Step(4, 90), Step(3, 120)]
    assert slots_on(1160, 80, stepped(steps, then_mm=180)) == 10
    assert slots_on(1339.9, 80, stepped(steps, then_mm=180)) == 10
    assert slots_on(1340, 80, stepped(steps, then_mm=180)) == 11
    assert slots_on(1e6, 80, stepped(steps)) == 8, "a schedule that ends ends the row"


def test_tenths_of_a_millimetre_add_up_as_they_are_written():
    """Ten gaps of 100.1 mm are 1,001 mm; added up as binary fractions they are more."""
    assert sum([100.1] * 10) > 1001
    assert slots_on(1101.0, 100, gaps_mm(11, 100.1)) == 11
    assert slots_widening(1101.0, 100, 100.1, 100.1) == 11


@given(mm, mm, st.integers(3, 60), st.decimals(0, 400, places=1).map(float))
@settings(max_examples=60)
def test_equal_growth_from_first_to_last_fits_as_many_as_are_laid_one_by_one(
    first, last, slots, spare
):
    """Laid down in fractions of a millimetre, for every number of slots until one is too long."""
    length = deck_mm(80, widening(first, last, slots)) + spare
    free = Fraction(str(length)) - 80
    a, b = Fraction(str(first)), Fraction(str(last))
    for n in count(3):
        laid = sum((a + (b - a) * k / (n - 1) for k in range(n)), Fraction(0))  # n + 1 slots
        if laid > free:
            break
    assert slots_widening(length, 80, first, last) == n >= slots - 1


def test_a_widening_row_begins_and_ends_at_its_two_pitches():
    gaps = widening(90, 180, 4)
    assert gaps == (90, 135, 180)
    assert deck_mm(80, gaps) == 485


def test_a_deck_too_short_to_widen_on_has_the_first_pitch():
    assert slots_widening(200, 80, 90, 300) == 2
    assert slots_widening(100, 80, 90, 300) == 1
    assert slots_widening(70, 80, 90, 300) == 0


def test_each_slot_has_half_of_the_gap_on_either_side_to_itself():
    assert own_mm([90, 110, 180]) == (90, 100, 145, 180)
    assert own_mm([90]) == (90, 90)


@pytest.mark.parametrize(
    ("wrong", "why"),
    [
        (lambda: gaps_mm(3, [90]), "1 pitches for the 2 gaps of 3 slots"),
        (lambda: gaps_mm(0, 90), "0 slots"),
        (lambda: deck_mm(80, [79]), "less than the gutter's width"),
        (lambda: slots_on(1000, 80, [79]), "less than the gutter's width"),
        (lambda: slots_widening(1000, 80, 79, 90), "less than the gutter's width"),
        (lambda: deck_mm(0, [79]), "width_mm"),
        (lambda: widening(90, 180, 2), "2 slots"),
        (lambda: own_mm([]), "single slot"),
    ],
)
def test_what_is_no_row_is_refused(wrong, why):
    with pytest.raises(ValueError, match=why):
        wrong()
