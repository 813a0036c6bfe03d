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


def test_a_tool_works_from_its_lead_until_the_tail_is_at_the_entry_eye() -> None:
    # Tool at 300, eye at 150 mm: it starts at 50 mm of gutter, and stops 150 mm before its tail.
    assert dosing.worked_mm(5400, 300, 150, lead_mm=50) == 5200
    with pytest.raises(ValueError, match="worked_mm"):
        dosing.worked_mm(150, 300, 150, lead_mm=50)


def test_a_valve_at_90_ml_s_is_open_20_s_for_1800_ml() -> None:
    assert dosing.valve_ms(1800, 90) == 20_000


def test_a_device_that_gives_4_percent_too_much_is_asked_for_that_much_less() -> None:
    assert dosing.asked(520, 1.04) == pytest.approx(500)


@given(st.floats(10, 1000), st.floats(10, 1000), st.integers(500, 10_000))
def test_what_a_doser_lays_on_each_mm_does_not_depend_on_the_belt(
    litres: float, speed_mm_s: float, length_mm: int
) -> None:
    rate = dosing.doser_ml_s(litres, dosing.passing_ms(length_mm, speed_mm_s))
    assert dosing.ml_per_mm(rate, speed_mm_s) * length_mm == pytest.approx(litres * 1000)


@given(st.floats(1, 5000), st.integers(100, 60_000))
def test_a_valve_open_for_its_time_gives_the_dose(dose_ml: float, worked_ms: int) -> None:
    flow = dosing.water_ml_s(dose_ml, worked_ms)
    assert dosing.valve_ms(dose_ml, flow) == pytest.approx(worked_ms)


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
