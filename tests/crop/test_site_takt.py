"""The shipped sites can give the takt they ask for, and the reference says which is slowest."""

from __future__ import annotations

from pathlib import Path

import pytest

from linectl.crop.check_site import check_site
from linectl.crop.site_takt import site_takt
from linectl.site.load import load_site

CONFIG = Path(__file__).parents[2] / "config"
SITES = sorted(place.parent.name for place in CONFIG.glob("*/site.yaml"))


@pytest.mark.parametrize("name", SITES)
def test_a_shipped_site_passes_its_check_without_a_warning(name: str) -> None:
    report = check_site(CONFIG / name)
    assert (report.errors, report.warnings) == ((), ())
    assert report.takt is not None
    assert report.takt.possible_ms <= report.takt.takt_ms


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


def _over_small(tmp_path: Path, more: str) -> Path:
    (tmp_path / "small").symlink_to(CONFIG / "small")
    folder = tmp_path / "slow"
    folder.mkdir()
    (folder / "site.yaml").write_text(f"extends: ../small\nname: slow\n{more}", encoding="utf-8")
    return folder


SLOW_LANES = """lanes:
  - id: 1
    transfers: [{kind: lift_up, name: lift, belt: 30s, travel: TRAVEL, timeout: 5m}]
  - id: 2
    transfers: [{kind: lift_up, name: lift, belt: 30s, travel: TRAVEL, timeout: 5m}]
"""


def test_lanes_too_slow_for_the_takt_are_an_error_that_gives_both_rates(tmp_path: Path) -> None:
    """Two lanes of 215.6 s a gutter are 33 an hour; a takt of 30 s is 120."""
    folder = _over_small(tmp_path, SLOW_LANES.replace("TRAVEL", "70s"))
    report = check_site(folder)
    assert [found.key for found in report.errors] == ["takt"]
    assert report.errors[0].file == "../small/site.yaml"
    assert "120 gutters an hour, but all lanes together take 33" in report.errors[0].message
    assert report.site is not None


def test_a_crop_whose_only_lane_is_too_slow_alone_is_a_warning(tmp_path: Path) -> None:
    """Together 130 an hour would do; rocket has lane 2 alone, which takes 65."""
    slow = SLOW_LANES.replace("belt: 30s", "belt: 8s").replace("TRAVEL", "12s")
    report = check_site(_over_small(tmp_path, slow))
    assert report.errors == ()
    assert [found.key for found in report.warnings] == ["lanes"]
    assert "sown alone, rocket has lane2 only" in report.warnings[0].message


def test_a_shift_that_does_not_fit_the_crops_days_is_a_warning(tmp_path: Path) -> None:
    """24 slots at one gutter every 30 s for 2 h a day stand 0.1 days, 144 min; planned 10–13."""
    report = check_site(_over_small(tmp_path, "shift: {length: 2h}\n"))
    assert [found.key for found in report.warnings] == ["shift"]
    assert "stands 0.1 days" in report.warnings[0].message
