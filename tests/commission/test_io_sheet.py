"""The IO sheet shows every place of a device: points, spare ones, and what must never be read."""

from __future__ import annotations

from pathlib import Path

import pytest

from linectl.commission.io_sheet import COLUMNS, sheet_of
from linectl.site.load import load_site
from linectl.site.parts import needs_of
from linectl.site.roles import Role

CONFIG = Path(__file__).parents[2] / "config"
SMALL = load_site(CONFIG / "small")


@pytest.mark.parametrize("name", ["fennmark", "small", "one_run", "counter_flow"])
def test_every_point_stands_once_and_rows_go_by_address(name: str):
    site = load_site(CONFIG / name)
    sheets = [sheet_of(site, device) for device in site.file.devices]
    tags = [row["tag"] for sheet in sheets for row in sheet.rows() if row["direction"]]
    assert sorted(tags) == sorted(site.tags)
    for sheet in sheets:
        for places in sheet.tables.values():
            ends = [(place.address, place.bit or 0) for place in places]
            assert ends == sorted(ends)


def test_a_row_says_both_addresses_and_all_that_the_list_says_of_it():
    (row,) = (r for r in sheet_of(SMALL, "io_sower").rows() if r["tag"] == "tamp.press")
    assert {key: cell for key, cell in row.items() if cell} == {
        "device": "io_sower", "table": "coil", "address": "5", "reference": "00006",
        "tag": "tamp.press", "what": "press down while on, spring up", "direction": "out",
        "type": "bool", "normal": "0", "zone": "sowing", "on_loss": "retracts",
        "holds_load": "no", "device_watchdog": "1s", "cut_by": "dump_sowing", "safe": "0",
        "note": "AK1:6",
    }  # fmt: skip
    assert set(row) == set(COLUMNS)


def test_a_value_of_two_registers_is_shown_over_both_with_its_order():
    (row,) = (r for r in sheet_of(SMALL, "io_sower").rows() if r["tag"] == "seed.seed_counter")
    assert (row["address"], row["reference"]) == ("3 to 4", "30004 to 30005")
    assert (row["type"], row["word_order"], row["unit"]) == ("u32", "big", "seeds")


def test_places_between_points_are_spare_and_bits_of_a_word_too(small_with):
    row = "tamp.press_up,io_sower,discrete,"
    site = small_with(("io.csv", f"{row}27", f"{row}99"))
    rows = [p for p in sheet_of(site, "io_sower").tables["discrete"] if p.kind == "spare"]
    assert [(place.where, place.reference, place.text) for place in rows] == [
        ("27", "10028", "spare"), ("58–98", "10059–10099", "spare, 41"),
    ]  # fmt: skip
    words = sheet_of(SMALL, "belts_sower").tables["input"]
    spare = [(p.where, p.bit_text) for p in words if p.kind == "spare"]
    assert spare == [(str(word), "2–15") for word in range(6)]


def test_readable_ranges_show_what_is_left_of_a_device_and_holes_are_never_read(small_with):
    site = small_with((
        "site.yaml", "belts_sower: {bus: drives,",
        'belts_sower: {bus: drives, readable: {holding: [0-19]}, holes: {holding: [10-12]},',
    ))  # fmt: skip
    rows = [p for p in sheet_of(site, "belts_sower").tables["holding"] if p.kind != "point"]
    assert [(place.kind, place.where) for place in rows] == [
        ("spare", "6–9"), ("hole", "10–12"), ("spare", "13–19"),
    ]  # fmt: skip


def test_a_device_of_reference_numbers_says_so_and_its_heartbeat_is_shown_both_ways(small_with):
    # A meter with its only point and a heartbeat, as its manual would print them.
    site = small_with(
        ("io.csv", "water.flow_pulses,meter,input,0,", "water.flow_pulses,meter,input,30001,"),
        ("site.yaml", "meter: {bus: drives,",
         "meter: {bus: drives, notation: reference, watchdog: 5s, "
         'heartbeat: {address: "40010", every: 1s},'),
    )  # fmt: skip
    facts = dict(sheet_of(site, "meter").facts)
    assert facts["addresses in its files"] == "reference numbers, counted from 1"
    assert facts["heartbeat"] == "holding 9 (reference 40010), every 1s"


def test_normal_is_healthy_empty_and_at_rest():
    normal = {
        place.point.tag: place.normal
        for device in SMALL.file.devices
        for places in sheet_of(SMALL, device).tables.values()
        for place in places
        if place.point is not None
    }
    for tag, value in {
        "sowing.estop_ok": True, "guard_seed.closed": True, "magazine.not_low": True,
        "fill.entry_eye": False, "fill.running": False, "fill.drive_ok": True,
        "lane1.germ.home": True, "lane1.lift.at_up": None, "seed.vacuum": None,
        "infeed.grip": True, "fill.run": False, "tamp.press_up": True, "tamp.press_down": False,
    }.items():  # fmt: skip
        assert normal[tag] is value, tag


def test_every_input_that_names_a_healthy_zero_is_normally_one():
    """Roles whose words say what 0 means trouble for: the sheet must not say 0 is normal."""
    roles: set[Role] = {need.role for need in needs_of(SMALL.file).values()}
    warned = {role.name for role in roles if "0 = " in role.text and role.direction == "in"}
    assert warned >= {"drive_ok", "isolator_on", "not_low", "single"}
    for device in SMALL.file.devices:
        for places in sheet_of(SMALL, device).tables.values():
            for place in places:
                if place.point and place.point.tag.rpartition(".")[2] in warned:
                    assert place.normal is True, place.point.tag
