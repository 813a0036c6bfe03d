"""What gutters yield in the plant: the crop's mean, spread and loss, from a stream of its own."""

from __future__ import annotations

import statistics
from pathlib import Path

import pytest

import linectl_sim
from linectl.site.load import load_site
from linectl_sim.world import World
from linectl_sim.yields import LEAST, MOST, Yields

CONFIG = Path(__file__).parents[2] / "config"
DRAWS = 20_000


@pytest.fixture(scope="module")
def fennmark():
    return load_site(CONFIG / "fennmark")


def _with_rocket(site, **facts):
    rocket = site.crops.crops["rocket"].model_copy(update=facts)
    crops = site.crops.model_copy(update={"crops": {**site.crops.crops, "rocket": rocket}})
    return site.model_copy(update={"crops": crops})


@pytest.mark.parametrize("crop", ["green_oakleaf", "frisee", "rocket"])
def test_many_gutters_have_the_crops_mean_spread_and_loss(fennmark, crop) -> None:
    facts = fennmark.crops.crops[crop]
    yields = Yields(World(fennmark, seed=1))
    drawn = [yields.draw(crop) for _ in range(DRAWS)]
    kept = [kg for kg in drawn if kg]
    # three standard errors or more of each figure at this many draws
    assert len(kept) / DRAWS == pytest.approx(1 - facts.loss, abs=0.004)
    assert statistics.fmean(kept) == pytest.approx(facts.yield_kg, rel=0.004)
    assert statistics.stdev(kept) / facts.yield_kg == pytest.approx(facts.yield_spread, rel=0.02)


def test_no_gutter_yields_less_or_more_than_the_cuts(fennmark) -> None:
    wild = _with_rocket(fennmark, yield_spread=0.9, loss=0.0)
    yields = Yields(World(wild, seed=1))
    shares = [yields.draw("rocket") / wild.crops.crops["rocket"].yield_kg for _ in range(1_000)]
    assert min(shares) == pytest.approx(LEAST)
    assert max(shares) == pytest.approx(MOST)


def test_every_gutter_is_lost_or_none_if_the_file_says_so(fennmark) -> None:
    whole = Yields(World(_with_rocket(fennmark, loss=0.0), seed=1))
    assert all(whole.draw("rocket") > 0 for _ in range(200))
    lost = Yields(World(_with_rocket(fennmark, loss=0.999_999), seed=1))
    assert not any(lost.draw("rocket") for _ in range(200))


def test_one_crops_spread_does_not_shift_the_next_gutters_draw(fennmark) -> None:
    plain, other = (
        Yields(World(site, seed=1)) for site in (fennmark, _with_rocket(fennmark, loss=0.5))
    )
    for yields in (plain, other):
        yields.draw("rocket")
    assert plain.draw("frisee") == other.draw("frisee")


def test_a_gutter_that_is_taken_weighs_what_was_drawn_for_it(stocked) -> None:
    hand = stocked
    drawn = {body.gutter: body.yield_kg for body in hand.plant.world.bodies}
    hand.eject(0)
    hand.hand_over()
    (row,) = hand.plant.report()["packed"]
    assert row["gutter"] == 12
    assert row["kg"] == pytest.approx(drawn[12], abs=1e-4)
    assert drawn[12] > 0


def test_the_same_seed_stocks_the_same_masses(fennmark) -> None:
    from linectl.runtime.standing import standing

    masses = []
    for _ in range(2):
        plant = linectl_sim.open(fennmark, 7)
        plant.stock(standing(fennmark, 0.1))
        masses.append([body.yield_kg for body in plant.world.bodies])
    assert masses[0] == masses[1]
    assert len(set(masses[0])) > 100
