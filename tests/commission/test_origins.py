"""A site over another, resolved: all of it together, each value with where it was written."""

from __future__ import annotations

from io import StringIO
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st
from ruamel.yaml import YAML

from linectl.commission.compare import compare
from linectl.commission.origins import Origin, _scalar, resolved
from linectl.errors import SiteError
from linectl.site.load import load_site

CONFIG = Path(__file__).parents[2] / "config"


def _line(path: Path, start: str) -> int:
    lines = path.read_text(encoding="utf-8").splitlines()
    return next(n for n, line in enumerate(lines, 1) if line.startswith(start))


@pytest.fixture
def child(tmp_path):
    """A site beside a link to the shipped ones: a slower press, and one channel moved."""
    (tmp_path / "small").symlink_to(CONFIG / "small")
    folder = tmp_path / "child"
    folder.mkdir()
    (folder / "site.yaml").write_text(
        "extends: ../small\nname: child\nstations:\n  tamp: {press: 2500ms}\n", encoding="utf-8"
    )
    (folder / "io.csv").write_text(
        "tag,device,table,address,type,note\npacking.ready,io_lanes,discrete,90,bool,moved\n",
        encoding="utf-8",
    )
    return folder


@pytest.mark.parametrize("name", ["fennmark", "small", "one_run", "counter_flow"])
def test_the_resolved_files_are_the_same_site(name: str, tmp_path: Path):
    for file, text in resolved(CONFIG / name).files().items():
        (tmp_path / file).write_text(text, encoding="utf-8")
    site, again = load_site(CONFIG / name), load_site(tmp_path)
    assert again.digest == site.digest
    assert compare(site, again).same


def test_a_value_says_the_file_and_line_that_it_came_from(child: Path):
    values = {(v.file, v.key): (v.value, v.origin) for v in resolved(child).values()}
    small = CONFIG / "small/site.yaml"
    assert values["site.yaml", "stations.tamp.press"] == ("2500ms", Origin("site.yaml", 4))
    assert values["site.yaml", "takt"] == (
        "30s",
        Origin("../small/site.yaml", _line(small, "takt:")),
    )
    assert ("site.yaml", "extends") not in values
    assert values["site.yaml", "devices.meter.unit"] == (
        31,
        Origin("../small/site.yaml", _line(small, "  meter:")),
    )


def test_a_row_says_where_it_came_from_and_what_it_replaced(child: Path):
    rows = {row.tag: row for row in resolved(child).rows}
    moved, kept = rows["packing.ready"], rows["packing.taken"]
    small = CONFIG / "small/io.csv"
    assert moved.origin == Origin("io.csv", 2)
    assert moved.replaces == Origin("../small/io.csv", _line(small, "packing.ready,"))
    assert kept.origin == Origin("../small/io.csv", _line(small, "packing.taken,"))
    assert kept.replaces is None


def test_what_a_row_leaves_to_its_part_or_device_is_shown_with_their_place(child: Path):
    """packing.ready as replaced says no zone; its zone is that of the station."""
    cells = {row.tag: row for row in resolved(child).rows}["packing.ready"].cells
    site = (CONFIG / "small/site.yaml").read_text(encoding="utf-8").splitlines()
    zone = cells["zone"]
    assert (zone.value, zone.by, zone.origin.file) == ("harvest", "part", "../small/site.yaml")
    assert site[zone.origin.line - 1].strip() == "zone: harvest"
    assert site[zone.origin.line - 3].strip() == "packing:"
    assert cells["address"].by == "row"


def test_a_word_order_of_the_device_is_shown_with_the_devices_place(child: Path):
    row = "infeed.position,axis_infeed,input,1,i32,\n"
    with (child / "io.csv").open("a", encoding="utf-8") as file:
        file.write(row)
    cells = {row.tag: row for row in resolved(child).rows}["infeed.position"].cells
    order = cells["word_order"]
    assert (order.value, order.by) == ("big", "device")
    assert order.origin.line == _line(CONFIG / "small/site.yaml", "  axis_infeed:")


def test_every_value_of_the_written_files_bears_its_origin(child: Path):
    files = resolved(child).files()
    for name in ("site.yaml", "interlocks.yaml", "crops.yaml"):
        for line in files[name].splitlines()[2:]:
            assert line.rstrip().endswith((":", "-")) or "# " in line, line
    assert "press: 2500ms  # site.yaml:4" in files["site.yaml"]
    assert "packing.ready,io_lanes,discrete,90,bool" in files["io.csv"]
    assert files["io.csv"].splitlines()[0].endswith(",# from")


def test_a_wrong_site_is_told_as_check_tells_it(child: Path):
    (child / "site.yaml").write_text("extends: ../smal\nname: child\n", encoding="utf-8")
    with pytest.raises(SiteError, match=r"no folder '\.\./smal'"):
        resolved(child)


@given(
    st.none() | st.booleans() | st.integers() | st.floats(allow_nan=False, allow_infinity=False)
    | st.text(st.characters(blacklist_categories=("Cs", "Cc"), blacklist_characters="\u2028\u2029"))
    | st.sampled_from(["yes", "No", "~", "null", "1e5", "06:00", "0x1F", "1_000", "- a", "a: b",
                       "a #b", "2026-01-01", "40s", "1.5h", ".5", "*a", "&a", "!x", "[a]", "",
                       ".0"])
)  # fmt: skip
def test_a_scalar_is_read_back_as_it_was_whatever_it_looks_like(value):
    data = YAML(typ="safe", pure=True).load(StringIO(f"key: {_scalar(value)}  # x:1\n"))
    assert data["key"] == value
    assert type(data["key"]) is type(value)
