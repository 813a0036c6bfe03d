"""Two sites are compared by what they mean: point by point, cell by cell, then all else."""

from __future__ import annotations

from pathlib import Path

import pytest

from linectl.commission.compare import compare
from linectl.site.load import load_site

CONFIG = Path(__file__).parents[2] / "config"
SMALL = load_site(CONFIG / "small")


@pytest.mark.parametrize("name", ["fennmark", "small", "one_run", "counter_flow"])
def test_a_site_is_the_same_as_itself(name: str):
    site = load_site(CONFIG / name)
    assert compare(site, site).same


def test_spelling_name_and_text_make_no_difference(small_with):
    other = small_with(
        ("site.yaml", "name: small", "name: other"),
        ("site.yaml", "takt: 30s", "takt: 30000ms"),
        ("io.csv", "tamp.press,io_sower,coil,5,,bool", "tamp.press,io_sower,coil,005,,bool"),
    )
    assert compare(SMALL, other).same


def test_each_differing_cell_of_a_point_is_named_with_its_address_both_ways(small_with):
    other = small_with(
        ("io.csv", "tamp.press_up,io_sower,discrete,27,,bool,,,,,,",
         "tamp.press_up,io_sower,discrete,99,,bool,,,,yes,20,"),
        ("io.csv", "fill.hopper_level,io_sower,input,0,,u16,,0.1",
         "fill.hopper_level,io_sower,input,0,,u16,,0.2"),
    )  # fmt: skip
    found = compare(SMALL, other)
    assert found.points.changed == {
        "fill.hopper_level": {"scale": ("0.1", "0.2")},
        "tamp.press_up": {
            "address": ("discrete 27 (reference 10028)", "discrete 99 (reference 10100)"),
            "invert": ("no", "yes"),
            "on_delay_ms": ("0s", "20ms"),
        },
    }
    assert found.devices.same and found.buses.same and found.rest.same


def test_devices_and_buses_are_compared_by_key_as_the_files_name_them(small_with):
    other = small_with(
        (
            "site.yaml",
            "meter: {bus: drives, unit: 31,",
            "meter: {bus: drives, unit: 32, late: 40ms,",
        ),
        ("site.yaml", "poll: 100ms", "poll: 80ms"),
    )
    found = compare(SMALL, other)
    assert found.devices.changed == {"meter": {"unit": ("31", "32"), "late": ("", "40ms")}}
    assert found.buses.changed == {"drives": {"poll": ("100ms", "80ms")}}
    assert found.points.same


def test_what_only_one_has_is_listed_and_a_list_entry_is_one_line():
    found = compare(SMALL, load_site(CONFIG / "one_run"))
    assert len(found.points.only_first) == 36
    assert found.points.only_second == ()
    lanes = found.rest.changed["lanes"]
    assert lanes["[1].runs[germ]"] == ("there", "")
    assert lanes["[1].transfers[lift]"] == ("there", "")
    assert lanes["[1].runs[grow].slots"] == ("8", "12")
    back = compare(load_site(CONFIG / "one_run"), SMALL)
    assert back.points.only_second == found.points.only_first
    assert back.rest.changed["lanes"]["[1].runs[germ]"] == ("", "there")


def test_a_point_under_another_name_at_the_same_place_is_seen_as_renamed():
    site = load_site(CONFIG / "counter_flow")
    first = [tag for tag in SMALL.tags if tag.startswith("lane1.lift")]
    points = [
        point.model_copy(update={"tag": "lane9.new"}) if point.tag == first[0] else point
        for point in SMALL.points
    ]
    found = compare(SMALL, SMALL.model_copy(update={"points": tuple(points)}))
    assert found.renamed == ((first[0], "lane9.new"),)
    assert compare(SMALL, site).renamed == ()


def test_interlocks_and_crops_count_too(small_with):
    other = small_with(("crops.yaml", "yield_kg: ", "yield_kg: 1"))
    assert set(compare(SMALL, other).rest.changed) == {"crops"}
