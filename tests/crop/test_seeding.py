"""Seeding quality: ISO 7256-1's indices and the share convention, by vacuum; what they refuse."""

from __future__ import annotations

import math
from random import Random

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from linectl.crop.seeding import (
    UNIFORM_PRECISION,
    Classes,
    Convention,
    best_vacuum,
    class_of,
    classify,
    indices_by_vacuum,
    not_told_apart,
    seeding_indices,
    tenth_of,
)

EXAMPLE = (
    98,
    105,
    40,
    102,
    95,
    210,
    99,
    101,
    103,
    97,
    10,
    110,
    300,
    94,
    96,
    107,
    100,
    370,
    93,
    104,
)
"""A worked example against X = 100 mm, computed by hand from the definitions: two multiples (40,
10), fifteen singles, one gap of each of the classes III, IV and V."""


def test_iso_counts_cells_and_a_long_gap_weighs_as_all_that_it_passed_over():
    """N = 20, n1 = 2, n'2 = 15: N' = 15 + 2 + 3 + 4 = 24, n0 = 1 + 2 + 3 = 6, n2 = 20 − 4 = 16."""
    found = seeding_indices(EXAMPLE, 100)
    assert found.convention is Convention.ISO
    assert found.classes == Classes(2, 15, 1, 1, 1)
    assert (found.of, found.classes.missed) == (24, 6)
    assert found.multiples == pytest.approx(2 / 24)
    assert found.misses == pytest.approx(6 / 24)
    assert found.quality_of_feed == pytest.approx(16 / 24)


def test_by_share_of_spacings_a_gap_counts_once():
    found = seeding_indices(EXAMPLE, 100, Convention.SHARE)
    shares = (found.multiples, found.misses, found.quality_of_feed)
    assert shares == pytest.approx((0.10, 0.15, 0.75))


@pytest.mark.parametrize("convention", Convention)
def test_precision_is_the_sample_deviation_of_class_ii_by_x_in_both_conventions(convention):
    """By hand: the 15 singles have mean 100.2667 and s = 4.9493 mm."""
    assert seeding_indices(EXAMPLE, 100, convention).precision == pytest.approx(0.04949, abs=5e-6)


@pytest.mark.parametrize(
    ("misses", "multiples", "quality"),
    [
        (10.0, 5.54, 84.46),  # chickpea, vacuum cylinder: CIGR Journal, article 5198, abstract
        (5.1, 2.9, 92.0),  # maize, vacuum: Journal of Agricultural Sciences, Sept. 2021, abstract
    ],
)
def test_published_shares_of_spacings_come_out_of_spacings_that_have_them(
    misses, multiples, quality
):
    """10,000 spacings made to have the published misses and multiples have its quality of feed."""
    missing, double = round(misses * 100), round(multiples * 100)
    spacings = [200.0] * missing + [20.0] * double + [100.0] * (10_000 - missing - double)
    found = seeding_indices(spacings, 100, Convention.SHARE)
    assert 100 * found.quality_of_feed == pytest.approx(quality)


@pytest.mark.parametrize(
    ("spacing", "number"),
    [(0, 0), (50, 0), (50.001, 1), (150, 1), (150.001, 2), (250, 2), (350, 3), (350.001, 4)],
)
def test_a_limit_belongs_to_the_class_below_it(spacing, number):
    """Multiple: less than or equal to half; single: more than half, no more than 1.5; miss:
    greater than 1.5 times the theoretical spacing (Bracy and Parish, HortTechnology, 2001)."""
    assert class_of(spacing, 100) == number


def test_spacings_strewn_evenly_over_class_ii_have_the_uniform_precision():
    """1/√12 = 28.87 %: the standard deviation of a uniform distribution one X wide."""
    assert pytest.approx(0.2887, abs=5e-5) == UNIFORM_PRECISION
    even = [50.05 + 0.1 * n for n in range(1000)]
    assert seeding_indices(even, 100).precision == pytest.approx(UNIFORM_PRECISION, rel=2e-3)


@pytest.mark.parametrize("spacings", [[100], [40, 100, 300], [210, 220]])
def test_fewer_than_two_singles_have_no_precision(spacings):
    assert seeding_indices(spacings, 100).precision is None


def test_two_singles_have_a_precision():
    """98 and 102: s = √8 = 2.8284 mm (by hand)."""
    assert seeding_indices([98, 10, 102], 100).precision == pytest.approx(0.028284, abs=1e-6)


spaced = st.lists(st.floats(0, 1000), min_size=1, max_size=60)


@settings(max_examples=50)
@given(spaced, st.sampled_from(Convention), st.floats(1, 500))
def test_the_three_shares_add_up_to_one_whatever_was_measured(spacings, convention, wanted):
    if convention is Convention.ISO and classify(spacings, wanted).cells == 0:
        with pytest.raises(ValueError, match="every spacing is at most half"):
            seeding_indices(spacings, wanted)
        return
    found = seeding_indices(spacings, wanted, convention)
    assert found.multiples + found.misses + found.quality_of_feed == pytest.approx(1)
    assert found.misses >= 0
    assert found.multiples >= 0
    assert found.classes.spacings == len(spacings)
    if found.precision is not None:
        assert 0 <= found.precision <= 1 / math.sqrt(2) + 1e-9, "two spacings at both limits"


@settings(max_examples=50)
@given(spaced, st.floats(0.5, 20))
def test_the_indices_do_not_depend_on_the_unit_of_length(spacings, factor):
    spacings = [round(spacing) * 7.0 + 1 for spacing in spacings]  # clear of the limits
    once = seeding_indices([*spacings, 103], 103)
    again = seeding_indices([factor * spacing for spacing in (*spacings, 103)], factor * 103)
    assert once.classes == again.classes
    assert once.quality_of_feed == again.quality_of_feed


def test_a_bar_of_the_histogram_never_stands_astride_a_class_limit():
    for tenths in range(4000):
        spacing = tenths / 10
        number = tenth_of(spacing, 100)
        middle = (number + 0.5) * 10
        assert class_of(middle, 100) == class_of(spacing, 100)


def test_more_multiples_than_half_make_isos_quality_of_feed_negative_and_it_is_not_hidden():
    found = seeding_indices([10, 10, 10, 100], 100)
    assert found.quality_of_feed == -2
    assert found.multiples + found.misses + found.quality_of_feed == 1


@pytest.mark.parametrize(
    ("spacings", "wanted", "words"),
    [
        ([100, -1], 100, "not below zero"),
        ([100, math.nan], 100, "cannot be"),
        ([100, math.inf], 100, "cannot be"),
        ([100], 0, "must be above zero"),
        ([100], math.nan, "must be above zero"),
        ([], 100, "no spacing"),
        ([1, 2, 3], 100, "at most half of 100 mm"),
    ],
)
def test_what_makes_no_index_is_refused(spacings, wanted, words):
    with pytest.raises(ValueError, match=words):
        seeding_indices(spacings, wanted)


def _measured(
    singles: int, misses: int, multiples: int, vacuum: float
) -> list[tuple[float, float]]:
    spacings = [100.0] * singles + [200.0] * misses + [10.0] * multiples
    Random(singles).shuffle(spacings)
    return [(vacuum, spacing) for spacing in spacings]


def test_vacuum_low_misses_high_doubles_and_between_them_lies_the_best():
    pairs = [
        *_measured(60, 40, 0, 4.9),
        *_measured(95, 3, 2, 8.1),
        *_measured(94, 2, 4, 10.0),
        *_measured(70, 1, 29, 15.2),
    ]
    rows = indices_by_vacuum(pairs, 100, 1.0)
    assert [row.vacuum_kpa for row in rows] == [5, 8, 10, 15]
    assert [row.spacings for row in rows] == [100] * 4
    best = best_vacuum(rows)
    assert best.vacuum_kpa == 8
    assert best.indices == seeding_indices([spacing for _, spacing in pairs[100:200]], 100)
    assert [row.vacuum_kpa for row in not_told_apart(rows, best)] == [10]


def test_of_equal_vacuums_the_lower_is_best_and_one_of_multiples_alone_is_not_judged():
    pairs = [(4.0, 5.0), (6.0, 100.0), (8.0, 100.0)]
    rows = indices_by_vacuum(pairs, 100, 0.5)
    assert rows[0].indices is None
    assert best_vacuum(rows).vacuum_kpa == 6
    assert best_vacuum(rows[:1]) is None
    with pytest.raises(ValueError, match="step"):
        indices_by_vacuum(pairs, 100, 0)
