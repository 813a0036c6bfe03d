"""A device whose rows are written in another habit than site.yaml says is found out by `check`."""

from __future__ import annotations

import re
import shutil
from pathlib import Path
from typing import NamedTuple

import pytest

from linectl.errors import Finding
from linectl.site.load import Reading, load_site, read_site
from linectl.site.notation import DIGIT, Table, reference

CONFIG = Path(__file__).parents[2] / "config"
ROW = re.compile(r"^([a-z0-9_.]+,belts_sower,(coil|input|holding),)(\d+),", re.M)
DEVICE = "belts_sower: {bus: drives, unit: 11,"


class Rewritten(NamedTuple):
    """The small site with belts_sower written otherwise."""

    reading: Reading
    folder: Path

    def about_addresses(self, kind: str) -> list[Finding]:
        found: tuple[Finding, ...] = getattr(self.reading, kind)
        return [f for f in found if f.key.endswith((".address", ".notation"))]


@pytest.fixture
def rewritten(tmp_path):
    """Makes the small site with each address of belts_sower rewritten, and more in its device."""

    def make(write, device: str = "", tables: str = "coil input holding") -> Rewritten:
        folder = tmp_path / "small"
        shutil.copytree(CONFIG / "small", folder)
        io_csv = folder / "io.csv"

        def row(match: re.Match[str]) -> str:
            table = match[2]
            cell = write(table, int(match[3])) if table in tables else match[3]
            return f"{match[1]}{cell},"

        text, count = ROW.subn(row, io_csv.read_text(encoding="utf-8"))
        assert count == 24
        io_csv.write_text(text, encoding="utf-8")
        site = folder / "site.yaml"
        text = site.read_text(encoding="utf-8")
        assert DEVICE in text
        site.write_text(text.replace(DEVICE, f"{DEVICE} {device}"), encoding="utf-8")
        return Rewritten(read_site(folder), folder)

    return make


def _six(table: Table, address: int) -> str:
    return f"{DIGIT[table]}{address + 1:05d}"


@pytest.mark.parametrize("write", [reference, _six, lambda table, address: f"item {address + 1}"])
def test_a_device_written_in_reference_numbers_is_the_same_line(rewritten, write) -> None:
    made = rewritten(write, "notation: reference,")
    assert not made.reading.errors and not made.reading.warnings
    assert made.reading.site is not None
    assert made.reading.site.points == load_site(CONFIG / "small").points


def test_the_shipped_sites_raise_no_doubt() -> None:
    for name in ("fennmark", "small", "one_run", "counter_flow"):
        assert read_site(CONFIG / name).warnings == ()


def test_reference_numbers_where_protocol_addresses_are_read_are_doubted_both_ways(
    rewritten,
) -> None:
    made = rewritten(reference)
    holding = [f for f in made.about_addresses("warnings") if "holding" in f.message]
    assert [f.message for f in holding] == [
        "40001 is read as holding 40001 (reference 440002), but looks like the reference number "
        "of holding 0 (reference 40001); so do 5 more of this table"
    ]
    assert "notation: reference" in (holding[0].hint or "")


def test_two_habits_in_one_device_are_an_error_that_names_a_row_of_each(rewritten) -> None:
    made = rewritten(reference, tables="holding")
    (found,) = made.about_addresses("errors")
    assert "looks like the reference number of holding 0" in found.message
    assert "magazine.drive_ok (0) is written the other way" in found.message


def test_a_row_of_the_other_habit_within_reference_numbers_is_an_error(rewritten) -> None:
    made = rewritten(reference, "notation: reference,", tables="coil holding")
    found = made.about_addresses("errors")
    assert len(found) == 12
    assert "if it is protocol address 0, write 30001" in found[0].message
    assert any("item 5, write 30005; if it is protocol address 5" in f.message for f in found)


def test_an_address_that_the_device_cannot_be_read_at_is_an_error(rewritten) -> None:
    made = rewritten(reference, "readable: {holding: [0-9], coil: [0-9], input: [0-9]},")
    found = [f for f in made.about_addresses("errors") if "looks like" in f.message]
    assert len(found) == 2  # coils keep their small numbers: 00001 is read as 1
    assert all("says that it cannot be read there" in f.message for f in found)


def test_a_map_that_really_lies_there_is_believed_when_both_are_said(rewritten) -> None:
    said = "notation: protocol, readable: {holding: [40001-40006]},"
    made = rewritten(reference, said, tables="holding")
    assert not [f for f in made.reading.errors if "looks like" in f.message]
    assert not made.about_addresses("warnings")


def test_a_device_counted_from_one_is_asked_about_until_it_says_its_notation(rewritten) -> None:
    made = rewritten(lambda table, address: str(address + 1))
    (found,) = made.about_addresses("warnings")
    assert (found.file, found.key) == ("site.yaml", "devices.belts_sower.notation")
    assert "every table of belts_sower begins at address 1" in found.message
    shutil.rmtree(made.folder)
    assert not rewritten(
        lambda table, address: str(address + 1), "notation: protocol,"
    ).reading.warnings


def test_channels_counted_from_one_are_asked_about(tmp_path) -> None:
    folder = tmp_path / "small"
    shutil.copytree(CONFIG / "small", folder)
    path = folder / "io.csv"
    coils = re.compile(r"^([a-z0-9_.]+,io_sower,coil,)(\d+),", re.M)
    text = path.read_text(encoding="utf-8")
    assert len(coils.findall(text)) == 16
    text = coils.sub(lambda match: f"{match[1]}{int(match[2]) + 1},", text)
    path.write_text(text, encoding="utf-8")
    (found,) = read_site(folder).warnings
    assert "table coil of io_sower is used from 1 to 16 without a gap" in found.message


@pytest.mark.parametrize(
    ("device", "key", "says"),
    [
        ("readable: {holding: [0-9, 9-x]},", "readable.holding[1]", "'x' is not a whole number"),
        ("holes: {input: [7-3]},", "holes.input[0]", "'7-3' runs backwards"),
        ('notation: reference, holes: {input: ["40001"]},', "holes.input[0]",
         "40001 is holding 0 (reference 40001), but the row says table input"),
        ("heartbeat: {address: 9x, every: 1s},", "heartbeat.address", "is not a whole number"),
        ("heartbeat: {address: 1-2, every: 1s},", "heartbeat.address", "a heartbeat is one reg"),
        ("heartbeat: {address: 9, every: 1s},", "heartbeat.address",
         "9 is not text; write it in quotes"),
    ],
)  # fmt: skip
def test_a_range_or_heartbeat_that_cannot_be_read_is_told_at_its_key(
    rewritten, device: str, key: str, says: str
) -> None:
    made = rewritten(lambda table, address: str(address), device)
    there = [f for f in made.reading.errors if f.key == f"devices.belts_sower.{key}"]
    assert [says in f.message for f in there] == [True], made.reading.errors


def test_a_readable_range_in_the_other_habit_is_doubted(rewritten) -> None:
    made = rewritten(lambda table, address: str(address), "readable: {holding: [40001-40010]},")
    told = [f for f in made.reading.warnings if f.key.endswith("readable.holding[0]")]
    assert ["looks like the reference number of holding 0" in f.message for f in told] == [True]


def test_a_row_takes_word_and_byte_order_from_its_device(tmp_path) -> None:
    folder = tmp_path / "small"
    shutil.copytree(CONFIG / "small", folder)
    for file, old, new in (
        ("io.csv", "axis_infeed,input,1,,i32,big,", "axis_infeed,input,1,,i32,,"),
        ("site.yaml", "axis_infeed: {bus: drives, unit: 21, word_order: big,",
         "axis_infeed: {bus: drives, unit: 21, word_order: little, byte_order: little,"),
    ):  # fmt: skip
        text = (folder / file).read_text(encoding="utf-8")
        assert old in text, file
        (folder / file).write_text(text.replace(old, new), encoding="utf-8")
    site = load_site(folder)
    position, target = (
        site.points[site.index(f"infeed.{name}")] for name in ("position", "target")
    )
    assert (position.word_order, position.byte_order) == ("little", "little")
    assert (target.word_order, target.byte_order) == ("big", "little")
