"""Bed, press and hopper. Worked by hand from geometry; peat's density from a published table."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from linectl.crop import substrate

PEAT_G_CM3 = 0.1
"""Univ. of Arkansas, Greenhouse Management Online, U7: peat about 0.1 g/cm³, mixes 0.09–0.16."""


def test_peat_of_the_published_density_is_a_kilogram_in_ten_litres() -> None:
    density_g_l = PEAT_G_CM3 * 1000  # a litre is 1000 cm³
    assert substrate.mass_kg(10, density_g_l) == pytest.approx(1.0)


def test_a_gutter_of_5400_by_80_by_25_mm_holds_10_8_litres_of_bed() -> None:
    assert substrate.bed_l(5400, 80, 25) == pytest.approx(10.8)
    assert substrate.bed_height_mm(10.8, 5400, 80) == pytest.approx(25)


def test_the_press_goes_as_deep_as_loose_and_tamped_bed_differ() -> None:
    # 10.8 l on 5400 × 80 mm lie 25 mm high; tamped by 1.25 they are 8.64 l and 20 mm high.
    bed = substrate.bed(10.8, 5400, 80, depth_mm=45, ratio=1.25)
    assert (bed.loose_mm, bed.tamped_mm) == pytest.approx((25, 20))
    assert bed.press_mm == pytest.approx(5)
    assert bed.over_rim_mm == 0


def test_a_loose_bed_may_stand_over_the_rim_though_the_tamped_one_does_not() -> None:
    bed = substrate.bed(10.8, 5400, 80, depth_mm=22, ratio=1.25)
    assert bed.over_rim_mm == pytest.approx(3)
    assert bed.tamped_mm < bed.depth_mm


@given(st.floats(0.1, 100), st.floats(50, 300), st.floats(1, 2))
def test_tamping_keeps_the_mass(loose_l: float, density_g_l: float, ratio: float) -> None:
    tamped = substrate.mass_kg(
        substrate.tamped_l(loose_l, ratio), substrate.tamped_density_g_l(density_g_l, ratio)
    )
    assert tamped == pytest.approx(substrate.mass_kg(loose_l, density_g_l))


def test_a_hopper_of_200_l_begins_49_gutters_of_4_l_above_6_l() -> None:
    # After 48 gutters 8 l are left, which is not below 6: one more; then 4 l are.
    assert substrate.gutters_until(200, 6, 4) == 49
    # It is at 20 l after 45 gutters, and below that after one more.
    assert substrate.gutters_until(200, 20, 4) == 46


@given(st.integers(1, 500), st.integers(0, 100), st.integers(1, 40))
def test_a_hopper_lasts_as_many_gutters_as_one_can_count(full: int, limit: int, dose: int) -> None:
    level, filled = full, 0
    while level >= limit and level >= dose:
        level, filled = level - dose, filled + 1
    assert substrate.gutters_until(full, limit, dose) == filled


@pytest.mark.parametrize("ratio", [0.99, 0, -1])
def test_a_press_that_would_loosen_the_bed_is_refused(ratio: float) -> None:
    with pytest.raises(ValueError, match="loosen"):
        substrate.tamped_l(10, ratio)
