"""The reference says which station is slowest and how many gutters its lanes take."""

from __future__ import annotations

from pathlib import Path

import pytest

from linectl.crop.site_takt import site_takt
from linectl.site.load import load_site

CONFIG = Path(__file__).parents[2] / "config"


def test_the_tamper_sets_the_reference_takt_a_little_under_60_s() -> None:
    times = site_takt(load_site(CONFIG / "fennmark"))
    assert times.slowest.name == "tamp"
    assert 55_000 < times.possible_ms < 60_000
    assert [cycle.name for cycle in times.stations] == [
        "magazine", "fill", "tamp", "water", "seed", "turn", "infeed", "outfeed", "turnout",
    ]  # fmt: skip


def test_the_reference_lanes_hold_a_gutter_24_days_and_take_six_times_the_takt() -> None:
    """2880 slots ÷ 120 a day (Little 1961); 60.6 an hour a lane by its strokes and lift."""
    times = site_takt(load_site(CONFIG / "fennmark"))
    assert times.residence_days == 24
    assert [round(cycle.gutters_per_hour) for cycle in times.lanes] == [61] * 6


def test_without_reaction_the_bare_motions_remain() -> None:
    """Tamp at fennmark: two drives, clamp 0.6, press 8, standstill 0.3 and half a poll of 120."""
    bare = {c.name: c for c in site_takt(load_site(CONFIG / "fennmark"), 0.0).stations}
    over_mm = 250 * 0.150
    way_in, way_out = 250 - over_mm + 5750, 250 - over_mm + 150 + 5400
    drives = (way_in + way_out) / 250 * 1000 + 2 * 150
    assert bare["tamp"].cycle_ms == pytest.approx(drives + 8_900 + 60 + 2 * 20)
