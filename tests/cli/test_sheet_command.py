"""`sheet` prints places, writes a page that prints and a list that opens in a spreadsheet."""

from __future__ import annotations

import csv
import re
import shutil
from pathlib import Path

import pytest

from linectl.site.load import load_site

CONFIG = Path(__file__).parents[2] / "config"


@pytest.fixture
def small_copy(tmp_path):
    return Path(shutil.copytree(CONFIG / "small", tmp_path / "small"))


def test_a_person_sees_both_addresses_terminal_and_spare_places(linectl):
    said = linectl("sheet", "config/small", "--device", "belts_sower")
    assert said.code == 0
    assert re.search(r"input 1 +30002 +0 +fill.drive_ok +bool +axis 2", said.out)
    assert re.search(r"input 1 +30002 +2–15 +spare", said.out)
    assert "io_sower" not in said.out


def test_the_page_holds_every_point_of_every_device_and_prints_a_device_at_a_time(
    linectl, tmp_path
):
    path = tmp_path / "sheet.html"
    said = linectl("sheet", "config/fennmark", "--out", path)
    page, site = path.read_text(encoding="utf-8"), load_site("config/fennmark")
    assert (said.code, said.out.strip()) == (0, f"{path}: {len(site.points)} points of 9 devices")
    assert sorted(re.findall(r'<td class="tag">([^<]+)</td>', page)) == sorted(site.tags)
    assert re.findall(r'<section id="([a-z_]+)">', page) == list(site.file.devices)
    assert "break-before: page" in page
    assert site.digest[:12] in page


def test_a_spreadsheet_opens_the_list_with_nothing_that_it_would_take_for_a_date(linectl, tmp_path):
    path = tmp_path / "sheet.csv"
    assert linectl("sheet", "config/small", "--out", path).code == 0
    assert path.read_bytes().startswith(b"\xef\xbb\xbf")
    with path.open(encoding="utf-8-sig", newline="") as file:
        rows = list(csv.DictReader(file))
    assert {row["tag"] for row in rows if row["direction"]} == set(load_site("config/small").tags)
    for row in rows:
        for column in ("address", "reference", "bit"):
            assert re.fullmatch(r"\d* ?(to \d+)?", row[column]), row


def test_a_note_is_shown_by_a_spreadsheet_and_not_calculated(linectl, small_copy, tmp_path):
    io = small_copy / "io.csv"
    io.write_text(io.read_text(encoding="utf-8").replace(",AE2:4,", ",=AE2+4,"), encoding="utf-8")
    path = tmp_path / "sheet.csv"
    assert linectl("sheet", small_copy, "--out", path).code == 0
    assert ",'=AE2+4" in path.read_text(encoding="utf-8-sig")


def test_a_program_reads_one_object(linectl):
    told = linectl("sheet", "config/small", "--device", "meter", "--json").json
    (device,) = told["devices"]
    assert (told["site"], device["name"], device["points"]) == ("small", "meter", 1)
    assert device["places"][0]["tag"] == "water.flow_pulses"
    assert device["facts"]["unit"] == "31"


@pytest.mark.parametrize(
    ("arguments", "says"),
    [
        (("--device", "metre"), "nearest valid name: meter"),
        (("--out", "sheet.pdf"), "ends in .html or .csv"),
        (("--out", "nowhere/sheet.html"), "there is no folder nowhere"),
    ],
)
def test_wrong_use_is_told_and_nothing_written(linectl, arguments, says):
    said = linectl("sheet", "config/small", *arguments)
    assert (said.code, said.out) == (2, "")
    assert says in said.err
