"""S01: a zone without shared equipment may name its emergency stops; then fewer must act on it."""

from __future__ import annotations

import re
import shutil
from pathlib import Path

from linectl.site.load import read_site

CONFIG = Path(__file__).parents[2] / "config"


def _parted(tmp_path: Path, stops: str) -> Path:
    """The small site with both carriages in the zone of the lanes, and `stops` for the sower."""
    folder = tmp_path / "small"
    shutil.copytree(CONFIG / "small", folder)
    site, io = folder / "site.yaml", folder / "io.csv"
    text = re.sub(r"(kind: (?:in|out)feed\n    zone: )\w+", r"\1lanes", site.read_text())
    site.write_text(text.replace("guards: [fill", f"estops: [{stops}]\n    guards: [fill", 1))
    text = re.sub(
        r"^((?:in|out)feed\..*?,)(?:sowing|harvest),", r"\1lanes,", io.read_text(), flags=re.M
    )
    io.write_text(text)
    return folder


def _spare_the_sower(folder: Path, stop: str) -> None:
    locks = folder / "interlocks.yaml"
    text = locks.read_text(encoding="utf-8")
    row = f"{stop}: [sowing_off, harvest_off, lanes_off, abort_sowing, abort_harvest]"
    assert row in text
    spared = row.replace("sowing_off, ", "")
    locks.write_text(text.replace(row, spared), encoding="utf-8")


def test_a_stop_that_a_zone_does_not_name_need_not_act_on_it(tmp_path: Path) -> None:
    folder = _parted(tmp_path, "sowing")
    for stop in ("estop_harvest", "estop_lanes"):
        _spare_the_sower(folder, stop)
    assert [str(found) for found in read_site(folder).errors] == []


def test_a_stop_that_a_zone_names_must_act_on_it(tmp_path: Path) -> None:
    folder = _parted(tmp_path, "sowing, harvest")
    for stop in ("estop_harvest", "estop_lanes"):
        _spare_the_sower(folder, stop)
    (found,) = read_site(folder).errors
    assert found.key == "matrix.estop_harvest"
    assert "leaves magazine.gate running" in found.message
    assert found.hint == "give it sowing_off"


def test_without_names_every_stop_acts_on_every_zone(tmp_path: Path) -> None:
    folder = tmp_path / "small"
    shutil.copytree(CONFIG / "small", folder)
    _spare_the_sower(folder, "estop_lanes")
    (found,) = read_site(folder).errors
    assert found.key == "matrix.estop_lanes"
