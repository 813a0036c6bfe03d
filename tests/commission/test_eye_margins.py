"""How well each eye sees what passes it: shortest pulse or gap against its worst age."""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest

from linectl.commission.site_report import site_report

CONFIG = Path(__file__).parents[2] / "config"


@pytest.mark.parametrize("name", ["fennmark", "small", "one_run", "counter_flow", "tiny"])
def test_every_eye_of_a_shipped_site_sees_each_pulse_and_gap_twice(name: str) -> None:
    eyes = site_report(CONFIG / name).eyes
    assert len(eyes) >= 14
    assert all(eye.ok for eye in eyes)
    assert [eye.margin for eye in eyes] == sorted(eye.margin for eye in eyes)


def test_the_gap_between_two_gutters_is_what_a_zone_is_longer_than_a_gutter() -> None:
    """fennmark: zones of 6 m, gutters of 5.4 m, 250 mm/s: 600 mm pass in 2.4 s."""
    eyes = {eye.tag: eye for eye in site_report(CONFIG / "fennmark").eyes}
    assert eyes["fill.entry_eye"].shortest_ms == pytest.approx(2400)
    # One poll of 20 ms, its read of 2 to 4 ms, a scan of 10 ms, and our own time of a few ms.
    assert 32 < eyes["fill.entry_eye"].worst_age_ms < 60


def test_an_eye_whose_read_makes_it_too_old_is_said_at_its_row(tmp_path: Path) -> None:
    """2 × (poll 20 + delay 570 + scan 10) is the 1200 ms it lasts: the first look lets it pass.
    The read and our own time make it older, and the row of the IO list says so."""
    folder = tmp_path / "small"
    shutil.copytree(CONFIG / "small", folder)
    path = folder / "io.csv"
    old = "lane1.lift.low_clear,io_lanes,discrete,48,,bool,,,,,,"
    text = path.read_text(encoding="utf-8")
    assert text.count(old) == 1
    path.write_text(text.replace(old, old[:-1] + "570,"), encoding="utf-8")
    report = site_report(folder)
    assert [found.key for found in report.errors] == ["lane1.lift.low_clear"]
    found = report.errors[0]
    assert (found.file, "on this bus" in found.message) == ("io.csv", True)
    assert path.read_text(encoding="utf-8").splitlines()[found.line - 1].startswith(found.key)
    assert report.eyes[0].tag == found.key
