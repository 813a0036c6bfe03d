"""What the plant let down on its gutters against the set-points' doses, over seeded rehearsals."""

from __future__ import annotations

import os
from pathlib import Path
from statistics import mean

import pytest

from linectl.site.load import load_site

ROOT = Path(__file__).parents[2]
FULL = os.environ.get("LINECTL_CAMPAIGN") == "full"
SITES = {
    "small": ROOT / "config" / "small",
    "fennmark": ROOT / "config" / "fennmark",
    "hertz": ROOT / "tests" / "crop" / "hertz",
}
ONCE = [("small", "17m", 1), ("hertz", "12m", 3), ("fennmark", "40m", 4)]
MORE = [(name, "2h", seed) for name in SITES for seed in range(5, 10)] if FULL else []
WITHIN = 0.01


@pytest.mark.parametrize(("name", "to", "seed"), [*ONCE, *MORE])
def test_gutters_get_their_doses_within_one_percent_in_the_mean(shift, name, to, seed) -> None:
    site = load_site(SITES[name])
    made = shift(name, site=site, seed=seed)
    crops = list(site.crops.crops)
    if name == "small":  # the doses of another crop, too
        made.run("8m")
        made.command("sowing", "crop", crops[-1])
    made.run(to)
    bodies = [body for body in made.plant.world.bodies if body.indexed_at is not None]
    bodies = [body for body in bodies if not body.from_stock]
    assert len(bodies) >= 20
    for crop in {body.crop for body in bodies}:
        mine, facts = [body for body in bodies if body.crop == crop], site.crops.crops[crop]
        if len(mine) < 15:
            continue
        assert mean(b.substrate_l for b in mine) == pytest.approx(facts.substrate_l, rel=WITHIN)
        assert mean(b.water_ml for b in mine) == pytest.approx(facts.water_ml, rel=WITHIN)
        assert mean(b.seeds for b in mine) == pytest.approx(facts.seeds_per_gutter, rel=WITHIN)
