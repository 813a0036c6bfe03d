"""Classes, groups, holes and ranges that no plan could keep: a finding at the row or key."""

from __future__ import annotations

import csv
import io
import shutil
from collections.abc import Callable
from pathlib import Path

import pytest

from linectl.commission.check_site import check_site
from linectl.errors import Finding
from linectl.site.load import load_site

CONFIG = Path(__file__).parents[2] / "config"
SEED, BUTTON = "seed.seed_level", "sowing.safety_reset"
Edit = Callable[..., Path]


@pytest.fixture
def edited(tmp_path: Path) -> Edit:
    """The small site with cells of the IO list changed, and pieces of site.yaml replaced."""

    def make(cells: dict[str, dict[str, str]], *pieces: tuple[str, str]) -> Path:
        folder = tmp_path / "small"
        shutil.copytree(CONFIG / "small", folder)
        path = folder / "io.csv"
        lines = path.read_text(encoding="utf-8").splitlines()
        rows = list(csv.DictReader(lines))
        names = [*rows[0], *(n for n in ("poll", "group") if n not in rows[0])]
        for row in rows:
            row.update(cells.get(row["tag"], {}))
        out = io.StringIO()
        writer = csv.DictWriter(out, names, lineterminator="\n")
        writer.writeheader()
        writer.writerows(rows)
        path.write_text(out.getvalue(), encoding="utf-8")
        yaml = folder / "site.yaml"
        text = yaml.read_text(encoding="utf-8")
        for old, new in pieces:
            assert text.count(old) == 1, old
            text = text.replace(old, new)
        yaml.write_text(text, encoding="utf-8")
        return folder

    return make


def bus_of(folder: Path, tag: str) -> tuple[str, str]:
    site = load_site(folder)
    device = site.points[site.index(tag)].device
    return site.file.devices[device].bus, device


IO_DEVICE, BUS = bus_of(CONFIG / "small", SEED)[::-1]
POLLS = (f"  {BUS}: {{kind: tcp,", f"  {BUS}: {{polls: {{slow: 1s, slower: 5s}}, kind: tcp,")


def only(folder: Path) -> Finding:
    report = check_site(folder)
    assert len(report.errors) == 1, "\n".join(map(str, report.errors))
    return report.errors[0]


def test_a_class_the_bus_does_not_have_gives_the_nearest_name(edited: Edit) -> None:
    found = only(edited({SEED: {"poll": "slwo"}}, POLLS))
    assert (found.file, found.key) == ("io.csv", f"{SEED}.poll")
    assert found.hint == "nearest valid name: slow"


def test_a_class_on_a_bus_without_any_says_how_to_add_it(edited: Edit) -> None:
    found = only(edited({SEED: {"poll": "slow"}}))
    assert "polls: {slow: 1s}" in (found.hint or "")


def test_a_class_no_slower_than_the_poll_is_refused_at_its_key(edited: Edit) -> None:
    found = only(edited({}, (POLLS[0], POLLS[1].replace("slow: 1s", "slow: 20ms"))))
    assert (found.file, found.key) == ("site.yaml", f"buses.{BUS}.polls.slow")


def test_an_output_has_no_class(edited: Edit) -> None:
    found = only(edited({"sowing.horn": {"poll": "slow"}}, POLLS))
    assert found.key == "sowing.horn.poll"


def test_slow_levels_are_fine(edited: Edit) -> None:
    folder = edited({SEED: {"poll": "slower"}, "seed.vacuum": {"poll": "slow"}}, POLLS)
    assert check_site(folder).errors == ()


def test_an_eye_in_a_slow_class_is_too_old_and_so_are_the_time_outs(edited: Edit) -> None:
    errors = check_site(edited({"fill.exit_eye": {"poll": "slower"}}, POLLS)).errors
    assert any(found.key == "fill.exit_eye" and "worst age" in found.message for found in errors)
    assert any("is shorter than its own motion" in found.message for found in errors)


def test_a_device_read_only_now_and_then_would_count_as_silent(edited: Edit) -> None:
    site = load_site(CONFIG / "small")
    mine = {p.tag for p in site.points if p.device == "meter" and p.direction == "in"}
    bus = site.file.devices["meter"].bus
    polls = (f"  {bus}:\n", f"  {bus}:\n    polls: {{slow: 1s}}\n")
    errors = check_site(edited({tag: {"poll": "slow"} for tag in mine}, polls)).errors
    silent = [found for found in errors if found.key == "devices.meter.silent_after"]
    assert len(silent) == 1
    assert "would count as silent between two reads" in silent[0].message


def test_a_group_is_of_one_table(edited: Edit) -> None:
    found = only(edited({BUTTON: {"group": "g"}, SEED: {"group": "g"}}))
    assert found.key.endswith(".group")
    assert "must come from one request" in found.message


def test_a_group_is_of_one_class(edited: Edit) -> None:
    cells = {SEED: {"group": "g"}, "seed.vacuum": {"group": "g", "poll": "slow"}}
    found = only(edited(cells, POLLS))
    assert "is read at one pace" in found.message


def test_no_other_point_lies_between_a_groups_points(edited: Edit) -> None:
    site = load_site(CONFIG / "small")
    tags = [p.tag for p in site.points if (p.device, p.table) == (IO_DEVICE, "discrete")]
    found = only(edited({tags[3]: {"group": "g"}, tags[5]: {"group": "g"}}))
    assert found.key == f"{tags[4]}.group"
    assert "lies between the points of group 'g'" in found.message


def test_a_group_longer_than_the_device_gives_at_once_is_refused(edited: Edit) -> None:
    site = load_site(CONFIG / "small")
    tags = [p.tag for p in site.points if (p.device, p.table) == (IO_DEVICE, "discrete")]
    limit = (f"  {IO_DEVICE}: {{", f"  {IO_DEVICE}: {{max_read_bits: 3, ")
    found = only(edited({tag: {"group": "g"} for tag in tags[:4]}, limit))
    assert found.key.endswith(".group")
    assert "takes 4 addresses" in found.message


def holed(edited: Edit, facts: str) -> Finding:
    return only(edited({}, (f"  {IO_DEVICE}: {{", f"  {IO_DEVICE}: {{{facts}, ")))


def test_a_point_in_a_hole_is_told_at_its_row_both_ways(edited: Edit) -> None:
    site = load_site(CONFIG / "small")
    address = site.points[site.index(BUTTON)].address
    found = holed(edited, f'holes: {{discrete: ["{address}"]}}')
    assert (found.file, found.key) == ("io.csv", f"{BUTTON}.address")
    assert f"discrete {address} (reference 1000{address + 1})" in found.message


def test_a_point_outside_what_can_be_read_is_told_at_its_row(edited: Edit) -> None:
    site = load_site(CONFIG / "small")
    last = max(
        (p for p in site.points if (p.device, p.table) == (IO_DEVICE, "discrete")),
        key=lambda p: p.address,
    )
    found = holed(edited, f"readable: {{discrete: [0-{last.address - 1}]}}")
    assert found.key == f"{last.tag}.address"
    assert "outside what can be read" in found.message


def test_outputs_that_are_read_back_must_be_readable_too(edited: Edit) -> None:
    site = load_site(CONFIG / "small")
    horn = site.points[site.index("sowing.horn")]
    fact = f'holes: {{coil: ["{horn.address}"]}}'
    assert site.file.devices[horn.device].read_back
    assert holed(edited, fact).key == "sowing.horn.address"


def test_outputs_that_are_only_written_may_lie_in_a_hole(edited: Edit) -> None:
    site = load_site(CONFIG / "small")
    horn = site.points[site.index("sowing.horn")]
    hole = f'holes: {{coil: ["{horn.address}"]}}, unit: 1'
    pieces = (f"  {IO_DEVICE}: {{bus: io, unit: 1", f"  {IO_DEVICE}: {{bus: io, {hole}")
    folder = edited({}, pieces)
    yaml = folder / "site.yaml"
    yaml.write_text(yaml.read_text("utf-8").replace(", read_back: true", ""), "utf-8")
    assert check_site(folder).errors == ()


def test_a_slow_isolator_makes_no_time_out_longer_and_a_slow_press_does(edited: Edit) -> None:
    slow = {"poll": "slower"}
    folder = edited({"tamp.isolator_on": slow}, POLLS)
    assert check_site(folder).errors == ()
    shutil.rmtree(folder)
    errors = check_site(edited({"tamp.press_down": slow}, POLLS)).errors
    assert any(found.key == "stations.tamp.press_timeout" for found in errors)
