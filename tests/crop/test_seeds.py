"""Seeds by rows, spacing and mass. Counts by hand; seeds of a gram of lettuce as published."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from linectl.crop import seeds

LETTUCE_PER_G = 890
"""Lettuce, about: 7 CFR 201.46, from memory."""


def test_lettuce_of_890_seeds_a_gram_has_a_thousand_seed_weight_of_1_12_g() -> None:
    assert seeds.thousand_seed_g(LETTUCE_PER_G) == pytest.approx(1.1236, abs=1e-4)
    assert seeds.seeds_g(LETTUCE_PER_G, seeds.thousand_seed_g(LETTUCE_PER_G)) == pytest.approx(1)


def test_36_pellets_of_30_g_a_thousand_weigh_1_08_g() -> None:
    assert seeds.seeds_g(36, 30.0) == pytest.approx(1.08)  # 36 × 0.030 g


def test_36_single_seeds_stand_150_mm_apart_and_270_by_three_60_mm() -> None:
    assert seeds.spacing_mm(5400, 36) == 150
    assert seeds.spacing_mm(5400, 270, per_cell=3) == 60


def test_two_rows_of_150_mm_with_three_seeds_a_cell_are_216_seeds() -> None:
    assert seeds.seeds_in_gutter(5400, 150, rows=2, per_cell=3) == 216  # 2 × 36 × 3


def test_a_drum_of_24_holes_that_drops_12_cells_a_second_turns_30_times_a_minute() -> None:
    assert seeds.drum_rev_min(12, 24) == pytest.approx(30)
    # Two rows of three seeds a cell: 72 seeds/s are 12 cells/s of each row.
    assert seeds.drum_rev_min(72, 24, rows=2, per_cell=3) == pytest.approx(30)


@given(st.integers(500, 10_000), st.floats(5, 400), st.integers(1, 4), st.integers(1, 8))
def test_cells_fit_into_the_length_and_another_would_not(
    length_mm: int, spacing_mm: float, rows: int, per_cell: int
) -> None:
    cells = seeds.cells_in_row(length_mm, spacing_mm)
    assert cells * spacing_mm <= length_mm + 1e-6 < (cells + 1) * spacing_mm + 2e-6
    count = seeds.seeds_in_gutter(length_mm, spacing_mm, rows, per_cell)
    assert seeds.cells_of(count, rows, per_cell) == cells


@pytest.mark.parametrize("mass_g", [0, -1.0])
def test_seed_without_mass_is_refused(mass_g: float) -> None:
    with pytest.raises(ValueError, match="thousand_seed_g"):
        seeds.seeds_g(10, mass_g)
