"""`linectl setpoints`: tables and JSON agree with what the line writes at the device."""

from __future__ import annotations

from pathlib import Path

import pytest

from linectl.site.load import load_site

HERTZ = Path(__file__).parents[1] / "crop" / "hertz"
RATES = {"doser": "fill.doser_rate", "valve": "water.flow_rate", "drum": "seed.drum_rate"}


def test_a_crop_change_writes_what_setpoints_prints(linectl, shift) -> None:
    site = load_site(HERTZ)
    printed = linectl("setpoints", HERTZ, "--json").json["crops"]
    made = shift("hertz", site=site, ideal_bus=True)
    written = {}
    for crop, to in (("green_oakleaf", "2m"), ("rocket", "6m")):
        made.command("sowing", "crop", crop)
        made.run(to)
        written[crop] = {name: made.line.outputs[site.index(tag)] for name, tag in RATES.items()}
        wants = {name: row["written"] for name, row in printed[crop]["set_points"].items()}
        assert written[crop] == pytest.approx(wants)
        step = {name: site.points[site.index(tag)].scale for name, tag in RATES.items()}
        for name, tag in RATES.items():
            at_device = made.plant.read(site.index(tag))
            assert at_device == pytest.approx(wants[name], abs=step[name] / 2 + 1e-9)
    assert all(written["rocket"][name] != written["green_oakleaf"][name] for name in RATES)


def test_the_object_has_what_a_grower_asks(linectl) -> None:
    said = linectl("setpoints", "config/fennmark", "rocket", "--json").json
    assert list(said["crops"]) == ["rocket"]
    rocket = said["crops"]["rocket"]
    assert rocket["hopper"]["gutters_until_empty"] == 142
    assert rocket["hopper"]["s_until_empty"] == 142 * 60
    assert rocket["seed"]["wanted_seeds"] == rocket["seed"]["per_gutter"] == 270
    assert said["shift"]["gutters"] == rocket["shift"]["gutters"] == 120
    assert said["slowest"]["name"] == "tamp"
    assert {belt["verdict"] for belt in said["belts"]} == {"ok"}


def test_the_tables_name_every_crop_and_every_device(linectl) -> None:
    said = linectl("setpoints", HERTZ).out
    for word in ("green_oakleaf", "rocket", *RATES.values(), "Hopper", "rpm", "128–928"):
        assert word in said
    assert "tamp sets it" in said


def test_an_unknown_crop_is_wrong_use_with_the_nearest_name(linectl) -> None:
    said = linectl("setpoints", "config/small", "roket")
    assert said.code == 2
    assert "rocket" in said.err
