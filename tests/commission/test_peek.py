"""`peek`: which addresses are read, what is said of them, and what is left alone."""

from __future__ import annotations

from pathlib import Path

import pytest

from linectl.commission.asked import asked
from linectl.commission.peek import peek
from linectl.errors import LinkDown, Unreachable, UsageError
from linectl.site.load import load_site

SMALL = Path(__file__).parents[2] / "config/small"


@pytest.fixture(scope="module")
def small():
    return load_site(SMALL)


def altered(site, name, **facts):
    """The site with other facts of one device."""
    device = site.file.devices[name].model_copy(update=facts)
    devices = site.file.devices | {name: device}
    return site.model_copy(update={"file": site.file.model_copy(update={"devices": devices})})


@pytest.fixture
def drive(fake_line, thing):
    """A line with the infeed axis (unit 21): status, position over two registers."""
    return fake_line({21: thing({"input": {0: 1, 1: 0, 2: 1500}, "holding": {0: 0, 1: 1500}})})


def where(line):
    return [(ask.address, ask.quantity) for ask in line.asked]


def test_the_address_asked_for_is_read_first_and_its_neighbours_one_by_one(small, drive):
    look = peek(small, "axis_infeed", "1", drive, table="input")
    assert where(drive)[:4] == [(1, 1), (0, 1), (2, 1), (3, 1)]
    assert [cell.address for cell in look.cells if cell.asked] == [1]
    assert {ask.function for ask in drive.asked} == {4}
    assert look.ok


def test_what_belongs_together_is_read_in_one_request(small, drive):
    look = peek(small, "axis_infeed", "1", drive, table="input")
    assert (1, 2) in where(drive)
    assert look.pairs[1].words == (0, 1500)
    assert look.pairs[1].together


def test_a_device_that_gives_single_registers_only_is_told_as_torn(small, fake_line, thing):
    site = altered(small, "axis_infeed", max_read_registers=1)
    line = fake_line({21: thing({"input": {0: 1, 1: 0, 2: 1500}}, most=1)})
    look = peek(site, "axis_infeed", "1", line, table="input")
    assert not look.pairs[1].together
    assert any("two moments" in note for note in look.notes)
    assert all(quantity == 1 for _, quantity in where(line))


def test_a_point_is_shown_as_mapped_and_one_lower_and_higher(small, drive):
    look = peek(small, "axis_infeed", "infeed.position", drive)
    assert [(s.by, s.value) for s in look.shifts] == [(-1, 65536), (0, 1500), (1, None)]


def test_a_tag_a_hexadecimal_and_a_manuals_number_mean_the_same(small):
    meant = {
        tuple(asked(small, "axis_infeed", text, table)[:2])
        for text, table in (
            ("infeed.position", None),
            ("1", "input"),
            ("protocol:1", "input"),
            ("0x1", "input"),
            ("reference:30002", None),
            ("reference:300002", None),
        )
    }
    assert meant == {("input", 1)}


def test_the_devices_own_notation_counts(small):
    site = altered(small, "axis_infeed", notation="reference")
    assert asked(site, "axis_infeed", "40001")[:2] == ("holding", 0)
    assert asked(site, "axis_infeed", "30002")[:2] == ("input", 1)
    with pytest.raises(UsageError, match="written in reference numbers"):
        asked(site, "axis_infeed", "1")


def test_a_manuals_number_in_protocol_notation_is_said_to_be_doubtful(small):
    found = asked(small, "axis_infeed", "40001")
    assert found.address == 40001
    assert "reference:40001, which is holding 0 (reference 40001)" in found.notes[0]
    assert asked(small, "axis_infeed", "protocol:40001").notes == ()


@pytest.mark.parametrize(
    ("device", "text", "table", "said"),
    [
        ("axis_infed", "1", None, "nearest valid name: axis_infeed"),
        ("axis_infeed", "1", "inputs", "nearest valid name: input"),
        ("axis_infeed", "one", None, "not a whole number"),
        ("axis_infeed", "70000", None, "outside 0–65535"),
        ("axis_infeed", "0x1FFFF", None, "outside 0x0000"),
        ("axis_infeed", "hex:1", None, "protocol:17 or reference:40018"),
        ("axis_infeed", "infeed.positon", None, "infeed.position"),
        ("axis_infeed", "fill.exit_eye", None, "lies on io_sower"),
        ("axis_infeed", "reference:40001", "input", "of table holding"),
    ],
)
def test_what_cannot_be_meant_is_said_with_what_could(small, device, text, table, said):
    with pytest.raises(UsageError, match=said):
        asked(small, device, text, table)


def test_what_the_site_calls_unreadable_is_never_read(small, drive):
    site = altered(small, "axis_infeed", readable={"input": ("0-2",)}, holes={"input": ("0",)})
    look = peek(site, "axis_infeed", "1", drive, table="input")
    assert {address for address, _ in where(drive)} == {1, 2}
    assert {c.address: c.left for c in look.cells if c.heard is None} == {
        0: "is in `holes`",
        3: "is outside `readable`",
    }
    for text in ("0", "3"):
        with pytest.raises(UsageError, match="it is not read"):
            peek(site, "axis_infeed", text, drive, table="input")


def test_an_address_that_no_point_names_is_said_to_be_read_on_request(small, drive):
    drive.things[21].tables["input"] |= dict.fromkeys(range(9, 12), 0)
    look = peek(small, "axis_infeed", "10", drive, table="input")
    assert any("read only because you asked" in note for note in look.notes)
    assert not peek(small, "axis_infeed", "1", drive, table="input").notes


def test_a_refusal_at_the_end_of_what_answers_points_at_a_map_off_by_one(small, drive):
    look = peek(small, "axis_infeed", "2", drive)
    assert not look.ok
    assert "one too high" in look.checks[0]


def test_a_silent_device_is_an_error_that_says_where_what_and_what_next(small, fake_line):
    with pytest.raises(Unreachable) as told:
        peek(small, "axis_infeed", "1", fake_line({}), table="input")
    text = str(told.value)
    for word in (
        "axis_infeed (unit 21 on bus drives)",
        "input 1 (reference 30002)",
        "within 50 ms",
        "no answer in time",
        "termination",
    ):
        assert word in text
    assert told.value.exit_code == 3


def test_a_silent_address_beside_one_that_answers_is_not_a_silent_device(small, drive):
    drive.things[21].mute = {1}
    look = peek(small, "axis_infeed", "1", drive, table="input")
    assert not look.ok
    assert [c.address for c in look.cells if c.word is not None] == [0, 2]


def test_a_dead_link_is_not_taken_for_an_answer(small, drive):
    drive.down = True
    with pytest.raises(LinkDown):
        peek(small, "axis_infeed", "1", drive)


def test_a_display_is_looked_for_one_higher_too(small, fake_line, thing):
    line = fake_line({21: thing({"input": {0: 1, 1: 77, 2: 0, 3: 23456}})})
    look = peek(small, "axis_infeed", "1", line, table="input", shown="23456")
    assert look.fits[0].cells() == {"address": "2", "type": "u32", "word_order": "big"}


def test_a_display_of_single_bits_is_refused(small, drive):
    with pytest.raises(UsageError, match="single bit"):
        peek(small, "axis_infeed", "0", drive, table="coil", shown="1")


def test_a_row_of_coils_needs_no_pairs(small, fake_line, thing):
    line = fake_line({21: thing({"coil": dict.fromkeys(range(10), 1)})})
    look = peek(small, "axis_infeed", "3", line, table="coil", count=4)
    assert [c.address for c in look.cells] == [2, 3, 4, 5, 6, 7]
    assert all(quantity == 1 for _, quantity in where(line))
    assert look.ok


def test_the_ends_of_the_table_have_one_neighbour(small, fake_line, thing):
    line = fake_line({21: thing({"holding": {65534: 1, 65535: 2}})})
    look = peek(small, "axis_infeed", "65535", line)
    assert [c.address for c in look.cells] == [65534, 65535]
    with pytest.raises(UsageError, match="none past 65535"):
        peek(small, "axis_infeed", "65535", line, count=2)
