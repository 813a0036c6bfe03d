"""Orders as gutters, against numbers worked by hand."""

from __future__ import annotations

import math

import pytest

from linectl.crop.plan.demand import blend_kg, deviation_kg, gutters_for, packed_kg, z_of
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
    assert [gutters_for(kg, exact, 1.645) for kg in (0, 0.1, 2.5, 2.6, 25.0)] == [0, 1, 1, 2, 10]


def test_safety_is_z_deviations_of_the_sum():
    """2 kg, spread 10 %: 24 gutters mean 48 kg, deviation 0.2·√24 = 0.9798 kg, so with z 1.645
    they hold for 46.388 kg, and no more."""
    two = crop(2.0)
    assert 48 - 1.645 * 0.2 * math.sqrt(24) == pytest.approx(46.388, abs=5e-4)
    assert gutters_for(46.38, two, 1.645) == 24
    assert gutters_for(46.39, two, 1.645) == 25


def test_a_lost_gutter_lowers_the_mean_and_widens_the_spread():
    """4 kg, no spread, half lost: each gives 4 or 0: mean 2, deviation 2."""
    half = crop(4.0, spread=0.0, loss=0.5)
    assert (packed_kg(half), deviation_kg(half)) == (2.0, 2.0)


@pytest.mark.parametrize("z", [0.0, 1.645, 3.3])
def test_one_gutter_less_would_not_do(z):
    some = crop(2.4, spread=0.15, loss=0.02)
    for kg in (1.0, 7.7, 48.0, 333.3):
        n = gutters_for(kg, some, z)
        holds = [m * packed_kg(some) - z * deviation_kg(some) * math.sqrt(m) for m in (n, n - 1)]
        assert holds[0] >= kg * (1 - 1e-9)
        assert n == 1 or holds[1] < kg


def test_ninety_five_per_cent_is_1_645_deviations():
    assert z_of(0.95) == pytest.approx(1.6449, abs=5e-5)  # tables of the normal distribution
    with pytest.raises(ValueError, match="probability"):
        z_of(1.0)


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
