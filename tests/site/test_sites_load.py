"""Every shipped site loads, whole and the same each time."""

from __future__ import annotations

from pathlib import Path

import pytest

from linectl.site.load import load_site
from linectl.site.parts import needs_of

CONFIG = Path(__file__).parents[2] / "config"
SITES = sorted(place.parent.name for place in CONFIG.glob("*/site.yaml"))


@pytest.mark.parametrize("name", SITES)
def test_a_shipped_site_loads_with_every_point_its_parts_need(name: str) -> None:
    site = load_site(CONFIG / name)
    tags = {point.tag for point in site.points}
    assert site.name == name
    assert set(needs_of(site.file)) <= tags
    assert [point.index for point in site.points] == list(range(len(site.points)))


@pytest.mark.parametrize("name", SITES)
def test_the_digest_is_the_same_each_time_and_differs_between_sites(name: str) -> None:
    digest = load_site(CONFIG / name).digest
    assert digest == load_site(CONFIG / name).digest
    assert digest not in {load_site(CONFIG / other).digest for other in SITES if other != name}


def test_a_pattern_among_an_effects_outputs_is_every_output_of_that_part() -> None:
    site = load_site(CONFIG / "small")
    outputs = set(site.interlocks.effects["fill_off"].outputs)
    assert outputs == {"fill.run", "fill.speed", "fill.doser", "fill.doser_rate"}
