"""One site over another: a small diff, overriding by key, by lane id and by tag."""

from __future__ import annotations

from pathlib import Path

import pytest

from linectl.errors import SiteError
from linectl.site.load import load_site, read_site

CONFIG = Path(__file__).parents[2] / "config"
HEAD = "tag,device,table,address,type,note\n"


@pytest.fixture
def child(tmp_path: Path) -> Path:
    """A folder beside a link to the shipped sites, which extends small and changes nothing."""
    (tmp_path / "small").symlink_to(CONFIG / "small")
    folder = tmp_path / "child"
    folder.mkdir()
    _site(folder, "")
    return folder


def _site(folder: Path, more: str) -> None:
    (folder / "site.yaml").write_text(f"extends: ../small\nname: child\n{more}", encoding="utf-8")


def test_a_site_that_changes_nothing_is_the_extended_one_by_another_name(child: Path) -> None:
    site, small = load_site(child), load_site(CONFIG / "small")
    assert site.file.model_copy(update={"name": "small"}) == small.file
    assert (site.points, site.crops, site.interlocks) == (
        small.points,
        small.crops,
        small.interlocks,
    )


def test_keys_merge_and_a_lane_is_found_by_its_id(child: Path) -> None:
    _site(child, "lanes:\n  - {id: 2, programme: resting}\nstations:\n  tamp: {press: 2500ms}\n")
    site = load_site(child)
    assert [lane.programme for lane in site.file.lanes] == ["steady", "resting"]
    assert site.file.lanes[1].slots == 12
    assert site.file.stations["tamp"].press_ms == 2500  # type: ignore[union-attr]


def test_a_lane_is_removed_with_its_rows_causes_and_effects(child: Path) -> None:
    _site(child, "lanes:\n  - {id: 2, remove: true}\n")
    (child / "io.csv").write_text(HEAD + "lane2.*,,,,,only one lane here\n", encoding="utf-8")
    gone = ("overload_lane2_germ", "overload_lane2_grow", "overtravel_lane2")
    causes = "".join(f"  {name}: ~\n" for name in gone)
    (child / "interlocks.yaml").write_text(
        f"causes:\n{causes}effects:\n  lane2_off: ~\nmatrix:\n{causes}", encoding="utf-8"
    )
    site = load_site(child)
    assert [lane.id for lane in site.file.lanes] == [1]
    assert not [point for point in site.points if point.tag.startswith("lane2.")]


def test_a_row_replaces_the_row_of_the_same_tag_and_keeps_its_place(child: Path) -> None:
    row = "packing.ready,io_lanes,discrete,90,bool,moved to a spare channel\n"
    (child / "io.csv").write_text(HEAD + row, encoding="utf-8")
    site, small = load_site(child), load_site(CONFIG / "small")
    at = small.index("packing.ready")
    assert site.points[at].tag == "packing.ready"
    assert (site.points[at].address, small.points[at].address == 90) == (90, False)


def test_a_mistake_in_the_extended_site_is_said_with_its_own_file(tmp_path: Path) -> None:
    base, folder = tmp_path / "base", tmp_path / "child"
    for name in ("site.yaml", "io.csv", "interlocks.yaml", "crops.yaml"):
        base.mkdir(exist_ok=True)
        text = (CONFIG / "small" / name).read_text(encoding="utf-8")
        (base / name).write_text(text.replace("    gate: 2s", "    gate: 0s"), encoding="utf-8")
    folder.mkdir()
    (folder / "site.yaml").write_text("extends: ../base\nname: child\ntakt: 0s\n")
    found = {(f.file, f.key) for f in read_site(folder).errors}
    assert found == {("../base/site.yaml", "stations.magazine.gate"), ("site.yaml", "takt")}


@pytest.mark.parametrize(
    ("file", "text", "key", "says"),
    [
        ("site.yaml", "extends: ../smal\nname: child\n", "extends", "no folder '../smal'"),
        ("site.yaml", "extends: ../child\nname: child\n", "extends", "in a circle"),
        ("site.yaml", "extends: ../small\nname: child\nlanes:\n  - {id: 7, remove: true}\n",
         "lanes[7]", "no such entry"),
        ("interlocks.yaml", "causes:\n  nothing: ~\n", "causes.nothing", "no such entry"),
        ("io.csv", HEAD + "lane9.*,,,,,\n", "lane9.*", "removes a tag that the extended site"),
    ],
)  # fmt: skip
def test_an_extension_that_fits_nothing_says_so(
    child: Path, file: str, text: str, key: str, says: str
) -> None:
    (child / file).write_text(text, encoding="utf-8")
    found = [f for f in read_site(child).errors if f.file == file and f.key == key]
    assert found, read_site(child).errors
    assert says in found[0].message


def test_load_site_raises_every_finding_at_once(child: Path) -> None:
    _site(child, "takt: 0s\nscan: soon\nlanes:\n  - {id: 1, crops: [maize]}\n")
    (child / "crops.yaml").write_text("crops:\n  rocket: {yield_kg: 0}\n", encoding="utf-8")
    row = "packing.ready,io_lanes,discrete,70001,bool,\n"
    (child / "io.csv").write_text(HEAD + row, encoding="utf-8")
    with pytest.raises(SiteError) as caught:
        load_site(child)
    keys = [(f.file, f.key) for f in caught.value.findings]
    assert keys == [
        ("crops.yaml", "crops.rocket.yield_kg"),
        ("io.csv", "packing.ready.address"),
        ("site.yaml", "takt"),
        ("site.yaml", "scan"),
        ("site.yaml", "lanes[0].crops"),
    ]
