"""A device's profile: facts of its kind under the device's own keys, told by its file and line."""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest

from linectl.site.load import load_site, read_site

SMALL = Path(__file__).parents[2] / "config/small"
PROFILE = """\
# what this kind of drive can do
found: {on: 2026-11-25, unit: 21, latency_ms: {min: 2.1, median: 2.4, max: 3.0}}
identification: {vendor: none told}
tables: [input, holding]
notation: protocol
turnaround: 3ms
word_order: little
max_read_registers: 61
readable:
  input: [0-9]
holes:
  input: ["4"]
write: multiple
"""


@pytest.fixture
def site(tmp_path):
    """A copy of the small site whose infeed axis has a profile; writes a profile beside it."""
    folder = tmp_path / "yours"
    shutil.copytree(SMALL, folder)
    text = (folder / "site.yaml").read_text()
    line = "axis_infeed: {bus: drives, unit: 21, word_order: big,"
    assert line in text
    text = text.replace(line, line.replace("{bus", "{profile: profiles/axis.yaml, bus"))
    (folder / "site.yaml").write_text(text)
    (folder / "profiles").mkdir()

    def write(profile):
        (folder / "profiles/axis.yaml").write_text(profile)
        return folder

    return write


def test_a_profile_gives_what_the_device_does_not_say_itself(site):
    device = load_site(site(PROFILE)).file.devices["axis_infeed"]
    assert (device.max_read_registers, device.write, device.turnaround_ms) == (61, "multiple", 3)
    assert device.readable == {"input": ("0-9",)}
    assert device.holes == {"input": ("4",)}


def test_the_devices_own_word_wins(site):
    device = load_site(site(PROFILE)).file.devices["axis_infeed"]
    assert device.word_order == "big"
    assert device.unit == 21


def test_a_site_with_a_profile_is_the_same_as_one_that_writes_it_out(site, tmp_path):
    profiled = load_site(site("turnaround: 3ms\n"))
    written = tmp_path / "written"
    shutil.copytree(SMALL, written)
    text = (written / "site.yaml").read_text()
    line = "axis_infeed: {bus: drives,"
    (written / "site.yaml").write_text(text.replace(line, f"{line} turnaround: 3ms,"))
    assert load_site(written).digest == profiled.digest
    assert profiled.digest != load_site(SMALL).digest


@pytest.mark.parametrize(
    ("profile", "line", "key", "said"),
    [
        (
            "turnaround: 3ms\nmax_reed_bits: 8\n",
            2,
            "devices.axis_infeed.max_reed_bits",
            "not a key",
        ),
        ("# head\n\nmax_read_bits: 9000\n", 3, "devices.axis_infeed.max_read_bits", "at most 2000"),
        ("readable: {inputs: [0-2]}\n", 1, "devices.axis_infeed.readable", "is not one of"),
        ("unit: 21\n", 1, "unit", "belongs to one device"),
        ("write: {\n", 2, "file", "is not YAML"),
    ],
)
def test_what_is_wrong_in_a_profile_is_told_with_its_file_and_line(site, profile, line, key, said):
    errors = read_site(site(profile)).errors
    found = [e for e in errors if e.file == "profiles/axis.yaml"]
    assert [(e.line, said in e.message) for e in found] == [(line, True)], errors
    assert found[0].key.startswith(key)


def test_a_profile_that_is_not_there_is_told_where_it_is_named(site):
    folder = site(PROFILE)
    (folder / "profiles/axis.yaml").rename(folder / "profiles/axes.yaml")
    (error,) = read_site(folder).errors
    assert (error.file, error.key) == ("site.yaml", "devices.axis_infeed.profile")
    assert "axes.yaml" in error.hint


def test_a_profile_named_by_an_extended_site_lies_beside_that_site(site, tmp_path):
    site(PROFILE)
    over = tmp_path / "over"
    over.mkdir()
    (over / "site.yaml").write_text("extends: ../yours\nname: over\n")
    assert load_site(over).file.devices["axis_infeed"].max_read_registers == 61
    (tmp_path / "yours/profiles/axis.yaml").write_text("writ: single\n")
    (error,) = read_site(over).errors
    assert error.file == "../yours/profiles/axis.yaml"


def test_a_key_set_to_nothing_takes_the_profiles_away(site):
    folder = site(PROFILE)
    text = (folder / "site.yaml").read_text()
    text = text.replace("{profile: profiles/axis.yaml,", "{profile: profiles/axis.yaml, holes: ~,")
    (folder / "site.yaml").write_text(text)
    assert load_site(folder).file.devices["axis_infeed"].holes == {}


def test_a_device_that_counts_otherwise_than_its_profile_is_off_by_one_and_told(site):
    folder = site(PROFILE)
    text = (folder / "site.yaml").read_text()
    counted = "{profile: profiles/axis.yaml, notation: reference,"
    (folder / "site.yaml").write_text(text.replace("{profile: profiles/axis.yaml,", counted))
    found = [e for e in read_site(folder).errors if e.key == "notation"]
    assert found
    assert "off by one" in found[0].message
