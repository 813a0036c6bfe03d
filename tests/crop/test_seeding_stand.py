"""The stand to expect, and seeds per cell: hand-worked figures, and the sums that must hold."""

from __future__ import annotations

import math
from random import Random

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from linectl.crop.seeding import Convention, seeding_indices
from linectl.crop.stand import (
    GERMINATION_STANDARDS,
    count_seeds_per_cell,
    expected_stand,
    plants_per_cell,
    seeds_per_cell_of,
)


def test_two_seeds_of_four_fifths_give_a_plant_in_96_cells_of_100_and_one_alone_in_32():
    """1 − (1 − 0.8)² = 0.96, 2 · 0.8 · 0.2 = 0.32, 0.8² = 0.64 (by hand)."""
    stand = expected_stand({2: 1.0}, 0.8, cells_per_m=10, cells_per_gutter=54)
    assert stand.at_least_one == pytest.approx(0.96)
    assert stand.exactly_one == pytest.approx(0.32)
    assert stand.plants_per_cell == pytest.approx((0.04, 0.32, 0.64))
    assert stand.plants_per_m == pytest.approx(16)
    assert stand.plants_per_gutter == pytest.approx(86.4)


shares = st.dictionaries(st.integers(0, 9), st.floats(0.01, 5), min_size=1)


@settings(max_examples=50)
@given(shares, st.floats(0, 1))
def test_the_chances_of_a_cell_add_up_to_one_and_its_plants_to_germination_times_seeds(
    seeds, germination
):
    found = plants_per_cell(seeds, germination)
    whole = math.fsum(seeds.values())
    mean_seeds = math.fsum(number * share for number, share in seeds.items()) / whole
    assert math.fsum(found) == pytest.approx(1)
    mean = math.fsum(number * share for number, share in enumerate(found))
    assert mean == pytest.approx(germination * mean_seeds)
    none = math.fsum(share * (1 - germination) ** number for number, share in seeds.items()) / whole
    assert found[0] == pytest.approx(none)


def test_the_stand_from_spacings_has_as_many_plants_a_metre_as_seeds_lie_there_and_germinate():
    """What was measured says it without any index: seeds by the length they lie on."""
    spacings = [98, 105, 40, 102, 95, 210, 99, 101, 103, 97, 10, 110, 300, 94]
    found = seeding_indices(spacings, 100)
    stand = expected_stand(seeds_per_cell_of(found), 0.9, 1000 / found.cell_mm)
    assert stand.plants_per_m == pytest.approx(0.9 * len(spacings) / sum(spacings) * 1000)
    assert stand.plants_per_gutter is None


def test_of_two_seeds_that_sprout_two_times_in_three_one_grows_in_eight_cells_of_nine():
    """A published example, tomatoes: 2/3 sprout; of two in a pellet both grow with 4/9, none with
    1/9 (Planting Probabilities, montessorimuddle.org)."""
    assert plants_per_cell({2: 1.0}, 2 / 3) == pytest.approx((1 / 9, 4 / 9, 4 / 9))


def test_a_thousand_seeds_in_a_cell_are_reckoned_and_more_are_refused():
    assert math.fsum(plants_per_cell({1000: 1.0}, 0.5)) == pytest.approx(1)
    with pytest.raises(ValueError, match="1001 seeds in a cell are more than 1000"):
        plants_per_cell({1001: 1.0}, 0.5)


def test_only_isos_shares_make_a_stand_for_only_they_count_cells():
    with pytest.raises(ValueError, match="7256"):
        seeds_per_cell_of(seeding_indices([100, 90], 100, Convention.SHARE))
    with pytest.raises(ValueError, match="count seeds per cell"):
        seeds_per_cell_of(seeding_indices([10, 10, 10, 100], 100))


def test_seeds_per_cell_have_mean_variance_and_dispersion():
    """3 2 4 3 0 3: mean 2.5, squares 0.25·4 + 2.25 + 6.25 = 9.5, s² = 1.9, s²/mean = 0.76 (by
    hand)."""
    found = count_seeds_per_cell([3, 2, 4, 3, 0, 3])
    assert found.cells_by_seeds == {0: 1, 2: 1, 3: 3, 4: 1}
    assert found.mean == pytest.approx(2.5)
    assert found.variance == pytest.approx(1.9)
    assert found.dispersion_index == pytest.approx(0.76)
    assert found.none == pytest.approx(1 / 6)
    assert found.below(3) == pytest.approx(2 / 6)


def test_seeds_strewn_by_chance_have_a_dispersion_of_one_and_counted_ones_none():
    """The variance of a Poisson distribution is its mean; the index of n cells has a standard
    error of √(2/(n − 1)) (Fisher, from memory)."""
    random, cells = Random(7), 4000
    strewn = [0] * cells
    for _ in range(3 * cells):
        strewn[random.randrange(cells)] += 1
    index = count_seeds_per_cell(strewn).dispersion_index
    assert index == pytest.approx(1, abs=3 * math.sqrt(2 / (cells - 1)))
    assert count_seeds_per_cell([3] * 10).dispersion_index == 0


def test_a_single_cell_or_none_with_a_seed_has_no_dispersion():
    assert count_seeds_per_cell([3]).dispersion_index is None
    assert count_seeds_per_cell([0, 0]).dispersion_index is None


def test_germination_standards_are_those_of_the_federal_seed_act():
    """7 CFR 201.31 (59 FR 64491, Dec. 14, 1994), read in a published copy."""
    assert GERMINATION_STANDARDS["lettuce"] == 0.80
    assert GERMINATION_STANDARDS["endive"] == 0.70
    assert GERMINATION_STANDARDS["spinach"] == 0.60
    assert GERMINATION_STANDARDS["pak-choi"] == 0.75
    assert GERMINATION_STANDARDS["kale"] == 0.75
    assert GERMINATION_STANDARDS["parsley"] == 0.60


@pytest.mark.parametrize("germination", [-0.1, 1.1, math.nan])
def test_a_germination_outside_nothing_to_all_is_refused(germination):
    with pytest.raises(ValueError, match="germination"):
        plants_per_cell({1: 1.0}, germination)


@pytest.mark.parametrize("seeds", [{}, {1: -1.0, 2: 3.0}, {-1: 1.0}, {1: 0.0}])
def test_shares_that_are_none_are_refused(seeds):
    with pytest.raises(ValueError, match="seeds per cell"):
        plants_per_cell(seeds, 0.9)


@pytest.mark.parametrize(
    ("counts", "words"),
    [([], "no count"), ([2, -1], "not below zero"), ([2, 1001], "more than 1000")],
)
def test_counts_that_cannot_be_are_refused(counts, words):
    with pytest.raises(ValueError, match=words):
        count_seeds_per_cell(counts)


@pytest.mark.parametrize("cells", [0, -1, math.nan])
def test_no_cells_make_no_stand(cells):
    with pytest.raises(ValueError, match="above zero"):
        expected_stand({1: 1.0}, 0.9, cells_per_m=cells)
    with pytest.raises(ValueError, match="above zero"):
        expected_stand({1: 1.0}, 0.9, cells_per_gutter=cells)
