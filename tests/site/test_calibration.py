"""calibration.yaml: read, inherited, held against the IO list, part of the site's digest."""

from __future__ import annotations

from pathlib import Path

import pytest

from linectl.site.load import load_site, read_site

CONFIG = Path(__file__).parents[2] / "config"
HEAD = "tag,device,table,address,type,scale,unit,zone,on_loss,holds_load,device_watchdog_ms,safe\n"
HERTZ = "fill.doser_rate,io_sower,holding,0,u16,0.01,Hz,sowing,stays,no,1000,0\n"
DRIVE = "drives:\n  fill.doser_rate: {per_hz: 16, most_hz: 60, by: ben, on: 2026-03-02}\n"


@pytest.fixture
def child(tmp_path: Path):
    """Writes a site over small with this calibration, and with the doser told in Hz if asked."""
    (tmp_path / "small").symlink_to(CONFIG / "small")
    folder = tmp_path / "child"
    folder.mkdir()
    (folder / "site.yaml").write_text("extends: ../small\nname: child\n", encoding="utf-8")

    def write(calibration: str = "", rows: str = "") -> Path:
        if calibration:
            (folder / "calibration.yaml").write_text(calibration, encoding="utf-8")
        if rows:
            (folder / "io.csv").write_text(HEAD + rows, encoding="utf-8")
        return folder

    return write


def test_a_site_without_one_counts_as_right(tmp_path: Path) -> None:
    for name in ("site.yaml", "io.csv", "crops.yaml", "interlocks.yaml"):
        (tmp_path / name).write_bytes((CONFIG / "small" / name).read_bytes())
    made = load_site(tmp_path).calibration
    assert (made.doser_factor, made.water_factor, made.drum_factor("rocket")) == (1, 1, 1)


def test_it_is_inherited_and_overridden_key_by_key(child) -> None:
    folder = child("drum: {crops: {rocket: 1.05}}\n")
    made = load_site(folder).calibration
    assert made.drum_factor("rocket") == 1.05
    assert made.drum_factor("green_oakleaf") == 0.992


def test_what_was_measured_is_part_of_the_site(child) -> None:
    plain = load_site(child()).digest
    assert load_site(child("drum: {factor: 0.98}\n")).digest != plain


def test_a_set_point_in_hertz_without_its_drive_is_an_error_at_its_row(child) -> None:
    (error,) = read_site(child(rows=HERTZ)).errors
    assert (error.file, error.line, error.key) == ("io.csv", 2, "fill.doser_rate.unit")
    assert "drives: {fill.doser_rate:" in str(error.hint)
    assert read_site(child(DRIVE, HERTZ)).errors == ()


@pytest.mark.parametrize(
    ("text", "key", "says"),
    [
        ("drum: {factor: 99.2}\n", "drum.factor", "at most 2"),
        ("doser: {factor: 1.0, on: 2026-03-02}\n", "doser.by", "is missing"),
        ("drum: {crops: {roket: 1.0}}\n", "drum.crops.roket", "not in crops.yaml"),
        (DRIVE.replace("doser_rate", "dozer_rate"), "drives.fill.dozer_rate", "no set-point"),
        (DRIVE.replace("60", "0.5, least_hz: 5"), "drives.fill.doser_rate", "must be above"),
        ("drums: {factor: 1.0}\n", "drums", "is not a key"),
    ],
)
def test_what_is_wrong_is_said_where_it_stands(child, text: str, key: str, says: str) -> None:
    errors = read_site(child(text, HERTZ if "drives" in text else "")).errors
    found = [error for error in errors if error.key == key]
    assert found, errors
    assert says in found[0].message


def test_a_drive_that_is_not_told_in_hertz_is_a_warning(child) -> None:
    (warning,) = read_site(child(DRIVE)).warnings
    assert warning.key == "drives.fill.doser_rate"
    assert "is not used" in warning.message
