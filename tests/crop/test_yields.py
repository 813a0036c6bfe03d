"""Yields follow what is weighed, are told what is in doubt, and bear one mistyped weighing."""

from __future__ import annotations

import random

import pytest

from linectl.crop.blends import Yield
from linectl.crop.yields import HALF_LIFE, LOT_MOST, PRIOR, Weighing, running

FIRST = Yield(2.0, 0.2)


def one(kg, gutter=1):
    return Weighing("oak", 1, kg, f"gutter {gutter}")


def lot(kg, gutters=40, name="P-1"):
    return Weighing("oak", gutters, kg, f"packing lot {name}")


def test_what_was_never_weighed_yields_as_the_file_says():
    told = running(FIRST, [])
    assert (told.per_gutter, told.weighings, told.gutters, told.doubts) == (FIRST, 0, 0, ())


def test_the_first_weighing_by_hand():
    """20 gutters of 2.0 kg faded by 2^(-1/200), and one of 2.4: 2 + 0.4 / (19.930805 + 1)."""
    told = running(FIRST, [one(2.4)])
    assert told.kg == pytest.approx(2.0 + 0.4 / (PRIOR * 0.5 ** (1 / 200) + 1))
    assert told.kg == pytest.approx(2.0191106)


def test_a_lot_by_hand():
    """40 gutters of 2.2 kg beside 20 of 2.0 that have faded to 17.411: 2 + 0.2 × 40 / 57.411."""
    told = running(FIRST, [lot(88.0)])
    assert told.kg == pytest.approx(2.139346, abs=1e-6)
    assert (told.weighings, told.gutters) == (1, 40)


def test_what_was_weighed_a_half_life_ago_counts_half():
    """From the definition: a sum over all weighings with weights 2^(-gutters since / half-life)."""
    chance = random.Random(28)
    kgs = [chance.gauss(2, 0.1) for _ in range(300)]
    told = running(FIRST, [one(kg) for kg in kgs])
    weights = [0.5 ** ((len(kgs) - n) / HALF_LIFE) for n in range(1, len(kgs) + 1)]
    first = PRIOR * 0.5 ** (len(kgs) / HALF_LIFE)
    summed = first * 2.0 + sum(w * kg for w, kg in zip(weights, kgs, strict=True))
    assert told.kg == pytest.approx(summed / (first + sum(weights)))
    assert told.doubts == ()


def test_a_great_lot_counts_as_a_part_of_it():
    """1440 gutters of one day are no 1440 weighings."""
    assert running(FIRST, [lot(1_440 * 2.2, 1_440)]).kg == running(FIRST, [lot(110, LOT_MOST)]).kg


def test_the_spread_between_gutters_is_learned_from_single_gutters_only():
    chance = random.Random(29)
    singles = [one(chance.gauss(2, 0.4)) for _ in range(2_000)]
    told = running(FIRST, singles)
    assert told.singles.sd_kg == pytest.approx(0.4, rel=0.1)
    assert told.lots.sd_kg == running(FIRST, []).lots.sd_kg
    lots = running(FIRST, [lot(40 * chance.gauss(2, 0.1)) for _ in range(200)])
    assert lots.singles.sd_kg == FIRST.sd_kg
    assert lots.lots.sd_kg == pytest.approx(0.1, rel=0.3)
    assert (told.per_gutter.day_sd_kg, lots.per_gutter.day_sd_kg) == (0, lots.lots.sd_kg)


def test_the_spreads_by_hand():
    """Variance 0.04 both at first, weights 20 and 5: a gutter 0.4 kg off adds (0.16 − 0.04) / (20 ·
    2^(-1/200) + 1), a lot 0.4 kg off (0.16 − 0.04) / (5 · 2^(-1/10) + 1)."""
    assert running(FIRST, [one(2.4)]).singles.sd_kg ** 2 == pytest.approx(0.04 + 0.12 / 20.930805)
    assert running(FIRST, [lot(40 * 2.4)]).lots.sd_kg ** 2 == pytest.approx(0.04 + 0.12 / 5.665165)


def test_a_weighing_in_doubt_widens_the_spread_as_if_it_were_just_not():
    """Four standard deviations are 0.8 kg."""
    told = running(FIRST, [lot(800.0), lot(800.0)])
    assert told.kg > 10
    assert told.lots.sd_kg**2 == pytest.approx(0.04 + (0.64 - 0.04) / 5.665165)


@pytest.mark.parametrize("slip", [10, 0.1, 2.2046])
def test_one_mistyped_weighing_is_told_and_moves_nothing(slip):
    """A decimal point too far, or pounds told as kilograms."""
    right = [lot(40 * kg) for kg in (2.1, 2.0, 2.2, 2.1)]
    wrong = lot(84 * slip, name="P-9")
    with_it, without = running(FIRST, [*right[:2], wrong, *right[2:]]), running(FIRST, right)
    assert with_it.kg == without.kg
    (doubt,) = with_it.doubts
    assert (doubt.weighing, doubt.counted) == (wrong, False)
    assert doubt.expected_kg == pytest.approx(40 * 2.05, rel=0.02)
    assert with_it.weighings == 4


def test_a_yield_that_has_really_changed_is_followed():
    """Half as much from one day to the next: told twice, then the estimate goes with it."""
    before, after = [lot(80.0)] * 10, [lot(40.0)] * 25
    told = running(FIRST, [*before, *after])
    assert told.kg == pytest.approx(1.0, rel=0.05)
    assert [doubt.counted for doubt in told.doubts[:2]] == [False, True]
    assert len(told.doubts) < 6


def test_two_slips_to_opposite_sides_confirm_nothing():
    told = running(FIRST, [lot(800.0), lot(8.0)])
    assert told.kg == FIRST.kg
    assert [doubt.counted for doubt in told.doubts] == [False, False]


def test_a_yield_without_a_spread_doubts_nothing():
    told = running(Yield(2.0), [one(0.5)])
    assert told.doubts == ()
    assert told.kg < 2


@pytest.mark.parametrize("wrong", [lot(1, gutters=0), one(-0.1), one(float("nan"))])
def test_a_weighing_that_cannot_be_is_refused(wrong):
    with pytest.raises(ValueError, match="no weighing"):
        running(FIRST, [wrong])


@pytest.mark.parametrize("first", [Yield(0), Yield(1, -1)])
def test_a_yield_that_is_none_is_refused(first):
    with pytest.raises(ValueError, match="is none"):
        running(first, [])
