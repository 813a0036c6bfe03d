"""Shipped sites pass their check; what cannot give its takt is said at its line."""

from __future__ import annotations

from pathlib import Path

import pytest

from linectl.commission.check_site import check_site
from linectl.commission.site_report import site_report

CONFIG = Path(__file__).parents[2] / "config"
SITES = sorted(place.parent.name for place in CONFIG.glob("*/site.yaml"))


@pytest.mark.parametrize("name", SITES)
def test_a_shipped_site_passes_its_check_without_a_warning(name: str) -> None:
    report = check_site(CONFIG / name)
    assert (report.errors, report.warnings) == ((), ())
    assert report.takt is not None
    assert report.takt.possible_ms <= report.takt.takt_ms


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
    assert [found.key for found in report.warnings] == ["lanes", "approval"]
    assert "sown alone, rocket has lane2 only" in report.warnings[0].message


def test_a_shift_that_does_not_fit_the_crops_days_is_a_warning(tmp_path: Path) -> None:
    """24 slots at one gutter every 30 s for 2 h a day stand 0.1 days, 144 min; planned 10–13."""
    report = check_site(_over_small(tmp_path, "shift: {length: 2h}\n"))
    assert [found.key for found in report.warnings] == ["shift", "approval"]
    assert "stands 0.1 days" in report.warnings[0].message


def test_a_time_out_shorter_than_the_longest_answer_is_an_error(tmp_path: Path) -> None:
    """The meter's: 3 ms of turnaround, 1.75 ms of silence, 9 characters of 11 bits at 115 200 baud
    (MODBUS over Serial Line V1.02, 2.5.1.1), and our own time."""
    impatient = site_report(_over_small(tmp_path, "buses: {drives: {timeout: 5ms}}\n"))
    (found,) = impatient.errors
    assert (found.file, found.key) == ("site.yaml", "buses.drives.timeout")
    assert "it could never be read" in found.message
    assert found.hint is not None
    enough = found.hint.split()[1]
    (tmp_path / "slow" / "site.yaml").write_text(
        f"extends: ../small\nname: slow\nbuses: {{drives: {{timeout: {enough}}}}}\n",
        encoding="utf-8",
    )
    assert site_report(tmp_path / "slow").ok
