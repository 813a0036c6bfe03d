"""Orders as gutters, against numbers worked by hand."""

from __future__ import annotations

import math

import pytest

from linectl.crop.plan.demand import blend_kg, gutters_for, packed_kg, sure_of
from linectl.site.crops import Blend, Crop, CropFile


def crop(yield_kg: float, spread: float = 0.1, loss: float = 0.0) -> Crop:
    return Crop.model_validate(
        {
            "seed_form": "raw", "seeds_per_gutter": 10, "substrate_l": 1, "water_ml": 1,
            "days": "20d", "ripe_after": "18d", "yield_kg": yield_kg, "yield_spread": spread,
            "loss": loss,
        }
    )  # fmt: skip


def test_without_spread_and_loss_gutters_are_mass_by_yield_rounded_up():
    exact = crop(2.5, spread=0.0)
    assert [gutters_for(kg, exact, 0.95) for kg in (0, 0.1, 2.5, 2.6, 25.0)] == [0, 1, 1, 2, 10]


def test_without_loss_safety_is_1_645_deviations_of_the_sum():
    """2 kg, spread 10 %: 24 gutters mean 48 kg, deviation 0.2·√24 = 0.9798 kg, so at 95 % (1.645,
    tables of the normal distribution) they hold for 46.388 kg, and no more."""
    two = crop(2.0)
    assert 48 - 1.645 * 0.2 * math.sqrt(24) == pytest.approx(46.388, abs=5e-4)
    assert gutters_for(46.38, two, 0.95) == 24
    assert gutters_for(46.39, two, 0.95) == 25


def test_lost_gutters_are_counted_as_they_are_lost():
    """4 kg, no spread, half lost. 8 kg want two kept: of 3 with 1 − 1/8 − 3/8 = 1/2, of 4 with
    1 − 1/16 − 4/16 = 11/16, of 5 with 1 − 1/32 − 5/32 = 26/32."""
    half = crop(4.0, spread=0.0, loss=0.5)
    assert packed_kg(half) == 2.0
    assert [sure_of(n, 8.0, half) for n in (3, 4, 5)] == pytest.approx([1 / 2, 11 / 16, 26 / 32])
    assert [gutters_for(8.0, half, sure) for sure in (0.51, 0.6, 0.8)] == [4, 4, 5]


def test_three_of_fifteen_are_lost_once_in_330_days():
    """Binomial, 15 at 2 %: 1 − 0.98¹⁵ − 15·0.02·0.98¹⁴ − 105·0.02²·0.98¹³ = 0.00304."""
    rare = crop(1.0, spread=0.0, loss=0.02)
    assert 1 - sure_of(15, 13.0, rare) == pytest.approx(0.00304, abs=5e-6)


@pytest.mark.parametrize("sure", [0.5, 0.95, 0.9995])
def test_one_gutter_less_would_not_do(sure):
    some = crop(2.4, spread=0.15, loss=0.02)
    for kg in (1.0, 7.7, 48.0, 133.3):
        n = gutters_for(kg, some, sure)
        assert sure_of(n, kg, some) >= sure
        assert n == 1 or sure_of(n - 1, kg, some) < sure


@pytest.mark.parametrize("sure", [0.49, 1.0])
def test_a_safety_that_is_none_is_refused(sure):
    with pytest.raises(ValueError, match="probability"):
        gutters_for(1.0, crop(2.0), sure)


def test_a_blend_by_gutters_is_split_by_what_they_yield_and_one_by_mass_as_it_says():
    """2 gutters of 3 kg and 1 of 2 kg: 6 of 8 parts and 2 of 8."""
    file = CropFile(
        crops={"a": crop(3.0), "b": crop(2.0)},
        blends={
            "by_gutters": Blend(gutters={"a": 2, "b": 1}),
            "by_mass": Blend(mass={"a": 0.3, "b": 0.7}),
        },
    )
    assert blend_kg(16.0, "by_gutters", file) == pytest.approx({"a": 12.0, "b": 4.0})
    assert blend_kg(10.0, "by_mass", file) == pytest.approx({"a": 3.0, "b": 7.0})
    assert blend_kg(5.0, "b", file) == {"b": 5.0}
    with pytest.raises(KeyError):
        blend_kg(1.0, "c", file)
