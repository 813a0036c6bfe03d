"""Rates of doser, nozzle and drum. Check values worked by hand from rate × time = amount."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from linectl.crop import dosing


def test_a_54_decimetre_gutter_at_a_quarter_metre_a_second_passes_in_21_6_s() -> None:
    assert dosing.passing_ms(5400, 250) == 21_600


def test_rates_of_one_gutter_in_20_s() -> None:
    assert dosing.doser_ml_s(12.0, 20_000) == 600
    assert dosing.water_ml_s(1800, 20_000) == 90
    assert dosing.drum_seeds_s(36, 20_000) == 1.8


def test_a_dose_of_600_ml_is_120_pulses_of_a_meter_with_200_to_the_litre() -> None:
    assert dosing.pulses(600, 200) == pytest.approx(120)


def test_36_single_seeds_stand_150_mm_apart_and_270_by_three_60_mm() -> None:
    assert dosing.spacing_mm(5400, 36) == 150
    assert dosing.spacing_mm(5400, 270, per_cell=3) == 60


@given(st.floats(0, 1e6), st.integers(1, 10_000_000))
def test_rate_times_time_gives_the_amount_back(amount: float, worked_ms: int) -> None:
    rate = dosing.rate_per_s(amount, worked_ms)
    assert rate * worked_ms / 1000 == pytest.approx(amount)


@pytest.mark.parametrize(
    ("amount", "worked_ms", "names"), [(1, 0, "worked_ms"), (1, -5, "worked_ms"), (-1, 5, "amount")]
)
def test_a_rate_that_cannot_be_is_refused_by_name(
    amount: float, worked_ms: int, names: str
) -> None:
    with pytest.raises(ValueError, match=names):
        dosing.rate_per_s(amount, worked_ms)
