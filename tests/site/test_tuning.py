"""What may be tuned on a running line, how far, and that nothing else may be."""

from __future__ import annotations

from pathlib import Path

import pytest

from linectl.errors import UsageError
from linectl.site.load import load_site, read_site
from linectl.site.tunable import limits, tunables, tuned

CONFIG = Path(__file__).parents[2] / "config"


@pytest.fixture(scope="module")
def small():
    return load_site(CONFIG / "small")


@pytest.fixture
def child(tmp_path: Path):
    """Writes a site over small that says this beside; its folder."""
    (tmp_path / "small").symlink_to(CONFIG / "small")
    folder = tmp_path / "child"
    folder.mkdir()

    def write(more: str = "", **files: str) -> Path:
        text = f"extends: ../small\nname: small\n{more}"
        (folder / "site.yaml").write_text(text, encoding="utf-8")
        for name, said in files.items():
            (folder / f"{name}.yaml").write_text(said, encoding="utf-8")
        return folder

    return write


TUNED = [
    ("stations.tamp.press_timeout", "5500ms", "stations: {tamp: {press_timeout: 5500ms}}", "site"),
    ("crops.rocket.water_ml", "450", "crops: {rocket: {water_ml: 450}}", "crops"),
    ("crops.rocket.seeds_per_gutter", "93", "crops: {rocket: {seeds_per_gutter: 93}}", "crops"),
    ("calibration.drum.factor", "1.01", "drum: {factor: 1.01}", "calibration"),
    (
        "calibration.doser",
        '{"factor": 1.03, "by": "cleo", "on": "2026-03-31", "with": "peat P-2"}',
        "doser: {factor: 1.03, by: cleo, on: 2026-03-31, with: peat P-2}",
        "calibration",
    ),
]


@pytest.mark.parametrize(("path", "value", "written", "file"), TUNED)
def test_a_tuned_site_is_the_one_whose_files_say_so(small, child, path, value, written, file):
    more, files = (f"{written}\n", {}) if file == "site" else ("", {file: f"{written}\n"})
    folder = child(more, **files)
    made, read = tuned(small, small, path, value), load_site(folder)
    assert made.digest == read.digest != small.digest
    assert tunables(made)[path] == tunables(read)[path]


@pytest.mark.parametrize(
    ("path", "value", "says"),
    [
        ("stations.tamp.pres_timeout", "5s", "nearest valid name: stations.tamp.press_timeout"),
        ("stations.tamp.press_timeout", "5", "is not a duration"),
        ("stations.tamp.press_timeout", "0s", "should be greater than 0"),
        ("stations.tamp.press_timeout", "7s", "outside 4s to 6s: 20% up and down of what the"),
        ("stations.tamp.press", "3s", "cannot be tuned on a running line"),
        ("stations.tamp.zone", "sowing", "cannot be tuned on a running line"),
        ("crops.rocket.water_ml", "1e9", "outside"),
        ("crops.rocket.water_ml", "500ml", "'500ml' is no value of it"),
        ("crops.rocket.water_ml", '"500"', "should be a valid number"),
        ("crops.rocket.seeds_per_gutter", "90.5", "should be a valid integer"),
        ("crops.rocket.days", "3d", "cannot be tuned on a running line"),
        ("calibration.drum.factor", "2.5", "less than or equal to 2"),
        ("calibration.drum.factor", "NaN", "calibration.drum.factor"),
        ("calibration.doser.factor", "1.02", "calibration.doser"),
        ("calibration.doser", '{"factor": 1.02}', "calibration.doser.by: field required"),
        ("calibration.doser", '{"factor": 1.02, "by": "x", "on": "today"}', "calibration.doser.on"),
        ("limits.start_warning", "3s", "cannot be tuned on a running line"),
        ("tuning.share", "0.9", "cannot be tuned on a running line"),
        ("", "1", "cannot be tuned on a running line"),
    ],
)
def test_what_may_not_be_tuned_is_refused_in_words(small, path, value, says) -> None:
    with pytest.raises(UsageError) as told:
        tuned(small, small, path, value)
    assert says in str(told.value)


def test_bounds_of_the_site_go_before_the_share(child) -> None:
    site = load_site(
        child(
            "tuning:\n  share: 0\n  bounds:\n"
            "    stations.tamp.press_timeout: {least: 4500ms, most: 12s}\n"
            "    calibration.drum.factor: {least: 0.9, most: 1.1}\n"
        )
    )
    assert limits(site, "stations.tamp.press_timeout") == (4500, 12_000)
    tuned(site, site, "stations.tamp.press_timeout", "12s")
    for path, value in (
        ("stations.tamp.press_timeout", "4400ms"),
        ("calibration.drum.factor", "1.11"),
        ("stations.turn.turn_timeout", "5s"),
    ):
        with pytest.raises(UsageError, match="outside"):
            tuned(site, site, path, value)


def test_an_entry_holds_its_factor_within_the_bounds_of_the_factor(child) -> None:
    site = load_site(
        child("tuning: {bounds: {calibration.drum.factor: {least: 0.9, most: 1.1}}}\n")
    )
    entry = '{"factor": %s, "by": "cleo", "on": "2026-03-31"}'
    tuned(site, site, "calibration.drum", entry % "1.1")
    with pytest.raises(UsageError, match=r"calibration\.drum\.factor 1\.2 is outside 0\.9 to 1\.1"):
        tuned(site, site, "calibration.drum", entry % "1.2")


def test_many_small_steps_come_to_no_large_one(small) -> None:
    site = tuned(small, small, "stations.tamp.press_timeout", "6s")
    with pytest.raises(UsageError, match="outside 4s to 6s"):
        tuned(site, small, "stations.tamp.press_timeout", "6500ms")


def test_no_bound_reaches_over_a_jam_limit(child) -> None:
    site = load_site(
        child(
            "stations: {tamp: {jam_limits: {press_timeout: 5500ms}}}\n"
            "tuning: {bounds: {stations.tamp.press_timeout: {least: 4s, most: 9s}}}\n"
        )
    )
    assert limits(site, "stations.tamp.press_timeout") == (4000, 5500)
    tuned(site, site, "stations.tamp.press_timeout", "5500ms")
    with pytest.raises(UsageError, match="above its jam limit, 5s500ms"):
        tuned(site, site, "stations.tamp.press_timeout", "6s")


@pytest.mark.parametrize(
    ("bounds", "key", "says"),
    [
        ("stations.tamp.press: {least: 1s, most: 9s}", "stations.tamp.press", "can be tuned"),
        ("stations.tamp.press_timeout: {least: 9s, most: 12s}", "press_timeout", "outside its own"),
        ("stations.tamp.press_timeout: {least: 1, most: 12}", "press_timeout.least", "as 6s"),
        ("crops.rocket.water_ml: {least: 1s, most: 12s}", "water_ml.least", "a number (ml)"),
        ("crops.rocket.water_ml: {least: 900, most: 800}", "water_ml", "most must be above least"),
        ("crops.rocket.water_ml: {least: 1}", "water_ml.most", "is missing"),
        ("calibration.doser: {least: 0.9, most: 1.1}", "calibration.doser", "can be tuned"),
    ],
)
def test_bounds_that_cannot_be_so_are_errors_at_their_line(child, bounds, key, says) -> None:
    reading = read_site(child(f"tuning:\n  bounds:\n    {bounds}\n"))
    (found,) = reading.errors
    assert (found.file, found.line) == ("site.yaml", 5)
    assert key in found.key and says in found.message
