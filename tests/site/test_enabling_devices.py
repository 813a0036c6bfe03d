"""A zone's enabling device: a site may be without it, and is told what is not possible then."""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest

from linectl.errors import SiteError
from linectl.site.approval import standing
from linectl.site.load import load_site, read_site

SMALL = Path(__file__).parents[2] / "config" / "small"


@pytest.fixture
def folder(tmp_path):
    """A copy of the small site whose io.csv a test may alter: replace(old, new)."""
    shutil.copytree(SMALL, tmp_path / "small", ignore=shutil.ignore_patterns("*.sqlite3*"))
    return tmp_path / "small"


def altered(folder, old, new):
    path = folder / "io.csv"
    text = path.read_text(encoding="utf-8")
    assert text.count(old) == 1
    path.write_text(text.replace(old, new), encoding="utf-8")


ROW = "lanes.enabling,io_lanes,discrete,70,,bool,,,,,,,lanes,,,,,,BE5:7\n"


def test_a_zone_without_one_is_a_warning_that_says_what_is_not_possible(folder):
    altered(folder, ROW, "")
    read = read_site(folder)
    assert read.site is not None and "lanes.enabling" not in read.site.tags
    (told,) = [found for found in read.warnings if "enabling" in found.message]
    assert (told.file, told.key) == ("site.yaml", "zones.lanes")
    assert "nothing of this zone can be pulsed or forced on" in told.message
    assert "add a row with the tag lanes.enabling" in told.hint


def test_one_that_is_wired_otherwise_wants_a_new_approval(folder):
    altered(folder, ROW, ROW.replace(",70,", ",71,"))
    assert [(d.section, d.row) for d in standing(load_site(folder)).differences] == [
        ("zones", "lanes")
    ]


def test_one_in_another_zone_or_table_is_an_error(folder):
    altered(folder, ROW, ROW.replace("discrete", "coil").replace(",lanes,,", ",sowing,,"))
    with pytest.raises(SiteError) as wrong:
        load_site(folder)
    said = [found.message for found in wrong.value.findings]
    assert any("table coil is for outputs" in text for text in said)
    assert any("lanes stands in zone 'lanes'" in text for text in said)
