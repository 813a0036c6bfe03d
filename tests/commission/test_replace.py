"""S47: a device in the place of another is not driven before it is read back and confirmed."""

from __future__ import annotations

import datetime as dt
import shutil
from pathlib import Path

import pytest

from linectl.commission import device_record, replace
from linectl.commission.changes_record import read_changes
from linectl.commission.checkout import record as checkouts
from linectl.commission.device_record import known, pending, unconfirmed
from linectl.commission.field_record import (
    COLUMNS,
    FieldTest,
    append_test,
    field_standing,
    row_digest,
)
from linectl.commission.read_back import read_back
from linectl.commission.replace import begin, compared, confirm, learn, rests_on_device
from linectl.commission.site_change import Words
from linectl.errors import LinectlError, LinkDown, SiteError, Unreachable, UsageError
from linectl.line.build import rows_of
from linectl.site.load import load_site

SMALL = Path(__file__).parents[2] / "config/small"
TODAY = dt.date(2026, 6, 1)
WORDS = Words("replace", "meter", "", "", "dead", "anna")
MINE = {0: b"Sample Works", 1: b"PM-2", 2: b"1.4"}
DECLARED = """
    parameters:
      watchdog: {address: "512", value: 10, text: 0.1 s each}
      serial: {address: "600", table: input, type: u32, word_order: big}
      span: {address: "520", type: f32, word_order: little, value: 0.1}
"""


@pytest.fixture(scope="module")
def folder_with(tmp_path_factory):
    """The small site whose meter declares parameters; loaded once."""
    folder = tmp_path_factory.mktemp("replace") / "small"
    shutil.copytree(SMALL, folder)
    text = (folder / "site.yaml").read_text(encoding="utf-8")
    (line,) = [one for one in text.splitlines() if one.startswith("  meter: {")]
    facts = line.split("{")[1].split("}")[0]
    block = "  meter:" + "".join(f"\n    {one.strip()}" for one in facts.split(",")) + DECLARED
    (folder / "site.yaml").write_text(text.replace(line, block.rstrip("\n")), encoding="utf-8")
    return load_site(folder)


@pytest.fixture
def site(folder_with, tmp_path):
    return folder_with.model_copy(update={"folder": str(tmp_path)})


@pytest.fixture
def meter(thing):
    """A device as the site has the meter; its registers by table, its identification."""

    def make(watchdog=10, span=(0xCCCD, 0x3DCC), serial=(1, 0x86A0), objects=MINE):
        holding = {512: watchdog, 520: span[0], 521: span[1]}
        made = thing({"holding": holding, "input": {0: 0, 600: serial[0], 601: serial[1]}})
        made.objects = objects
        return made

    return make


@pytest.fixture
def read(site, fake_line):
    return lambda device: read_back(site, "meter", fake_line({31: device}))


def texts(found) -> list[str]:
    return [setting.text for setting in found.settings]


def test_a_device_says_who_it_is_and_what_it_is_set_to(read, meter):
    found = read(meter())
    assert found.identity == {"vendor": "Sample Works", "product_code": "PM-2", "revision": "1.4"}
    assert texts(found) == [
        "watchdog 10, as declared (holding 512 (reference 40513): 0.1 s each)",
        "serial 100000, each device's own (input 600–601 (reference 30601–30602))",
        "span 0.1000000015, as declared (holding 520–521 (reference 40521–40522))",
    ]
    assert found.wrong == ()


def test_each_wrong_setting_is_named_and_a_serial_number_may_differ(read, meter):
    found = read(meter(watchdog=100, serial=(9, 9)))
    assert [one.text for one in found.wrong] == [
        "watchdog 100, must be 10 (holding 512 (reference 40513): 0.1 s each)"
    ]


def test_an_answer_that_came_damaged_is_asked_for_again(site, fake_line, meter):
    line = fake_line({31: meter()})
    line.damages = 2
    assert read_back(site, "meter", line).wrong == ()
    assert len(line.asked) > 3


def test_words_in_the_other_order_are_wrong(read, meter):
    assert [one.name for one in read(meter(span=(0x3DCC, 0xCCCD))).wrong] == ["span"]


def test_a_setting_that_cannot_be_read_is_not_right(read, meter, thing):
    device = thing({"input": {0: 0, 600: 1, 601: 1}})
    found = read(device)
    assert [one.name for one in found.wrong] == ["watchdog", "span"]
    assert "cannot be read" in found.wrong[0].text
    assert found.identity is None


def test_a_device_that_is_not_there_is_no_device_without_identification(site, fake_line):
    with pytest.raises(Unreachable, match="meter"):
        read_back(site, "meter", fake_line({7: None}))
    line = fake_line({})
    line.down = True
    with pytest.raises(LinkDown):
        read_back(site, "meter", line)


def test_nothing_is_written_to_it(site, fake_line, meter):
    line = fake_line({31: meter()})
    read_back(site, "meter", line)
    assert line.asked and not any(ask.cells for ask in line.asked)


def test_from_its_beginning_until_it_is_confirmed_it_must_not_be_driven(site, read, meter):
    learn(site, read(meter()), WORDS)
    assert unconfirmed(site) == ()
    assert begin(site, "meter", WORDS) is True
    assert begin(site, "meter", WORDS) is False  # begun once, however often it is tried
    (waits,) = unconfirmed(site)
    assert waits.startswith("meter: its replacement was begun by anna (") and "replace" in waits
    wrong = compared(site, read(meter(watchdog=0)))
    with pytest.raises(UsageError, match="watchdog 0, must be 10"):
        confirm(site, wrong, WORDS)
    assert pending(site, "meter") and unconfirmed(site)
    confirm(site, compared(site, read(meter())), WORDS)
    assert pending(site, "meter") is None and unconfirmed(site) == ()


def test_differences_are_named_object_by_object_and_then_on_record(site, read, meter):
    first = compared(site, read(meter()))
    assert first.to_accept == ("nothing is on record to compare meter with",)
    learn(site, first.read, WORDS)
    assert compared(site, read(meter())).to_accept == ()
    begin(site, "meter", WORDS)
    other = compared(site, read(meter(objects={**MINE, 1: b"PM-3"})))
    assert other.differences == ("product_code 'PM-3', on record 'PM-2'",)
    confirm(site, other, WORDS)
    assert known(site, "meter").differs == "product_code 'PM-3', on record 'PM-2'"
    assert compared(site, read(meter(objects={**MINE, 1: b"PM-3"}))).to_accept == ()
    gone = compared(site, read(meter(objects=None)))
    assert "vendor 'nothing', on record 'Sample Works'" in gone.differences


def test_learning_is_no_way_round_a_replacement(site, read, meter):
    begin(site, "meter", WORDS)
    with pytest.raises(UsageError, match="confirm it first"):
        learn(site, read(meter()), WORDS)
    assert unconfirmed(site)


def _checked_out(site, tag: str, at: str = "2026-03-31T14:02:07+02:00") -> None:
    point = site.points[site.index(tag)]
    facts = dict.fromkeys(checkouts.COLUMNS, "") | {
        "at": at, "tag": tag, "result": "pass", "by": "anna", "row": checkouts.row_of(point),
        "site_digest": site.digest,
    }  # fmt: skip
    checkouts.append_try(Path(site.folder), checkouts.Try(**facts))


def _tested(site, cause: str, at: str = "2026-03-31T14:02:07+02:00") -> None:
    row = next(row for row in rows_of(site) if row.name == cause)
    facts = dict.fromkeys(COLUMNS, "") | {
        "at": at, "cause": cause, "result": "pass", "tested_by": "anna", "witness": "ben",
        "next_due": "2027-03-31", "row_digest": row_digest(site, row),
    }  # fmt: skip
    append_test(Path(site.folder), FieldTest(**facts))


def _state(site, cause: str) -> str:
    causes = field_standing(site, TODAY).causes
    return next(one.state for one in causes if one.cause == cause)


def test_checkouts_and_field_tests_that_rest_on_it_are_open_again(site, read, meter):
    for tag in ("water.flow_pulses", "tamp.press_down"):
        _checked_out(site, tag)
    _tested(site, "silent_meter")
    _tested(site, "supply_AE1")
    found = rests_on_device(site, "meter", TODAY)
    assert (found.checkouts, found.field_tests) == (("water.flow_pulses",), ("silent_meter",))
    tags = confirm(site, compared(site, read(meter())), WORDS)
    assert "water.flow_pulses" in tags
    (row,), _ = read_changes(Path(site.folder))
    assert (row.kind, row.what, row.reopens.split()) == ("replace", "meter", list(tags))
    states = {one.point.tag: one for one in checkouts.checkout_standing(site).points}
    assert states["water.flow_pulses"].state == "reopened"
    assert "replace meter by anna: dead" in states["water.flow_pulses"].why_open
    assert states["tamp.press_down"].state == "passed"
    assert _state(site, "silent_meter") == "changed since"
    assert _state(site, "supply_AE1") == "valid"
    _tested(site, "silent_meter", "2099-03-31T14:02:07+02:00")
    assert _state(site, "silent_meter") != "changed since"


def test_an_output_card_opens_every_stop_that_it_switches_off(site):
    _tested(site, "estop_sowing")
    assert "estop_sowing" in rests_on_device(site, "io_sower", TODAY).field_tests


def test_it_is_not_confirmed_while_its_old_checkouts_still_count(site, read, meter, monkeypatch):
    begin(site, "meter", WORDS)

    def full(folder, row):
        raise LinectlError("the disk is full")

    monkeypatch.setattr(replace, "append_change", full)
    with pytest.raises(LinectlError, match="the disk is full"):
        confirm(site, compared(site, read(meter())), WORDS)
    assert unconfirmed(site)


def test_a_row_that_cannot_be_read_bars_the_line_as_well(site, read, meter):
    learn(site, read(meter()), WORDS)
    path = Path(site.folder) / device_record.FILE
    path.write_bytes(path.read_bytes().replace(b"learned", b"lerned"))
    assert "devices.csv:2" in unconfirmed(site)[0]


@pytest.mark.parametrize(
    ("old", "new", "says"),
    [
        ('address: "512"', 'address: "70000"', "outside 0–65535"),
        ("value: 10", "value: 70000", "70000 is nothing that a register of type u16 holds"),
        ("value: 10", "value: 10.5", "10.5 is nothing"),
        ("type: u32, word_order: big", "type: u32", ""),
        ("table: input, type: u32", "table: coil, type: u32", "write type bool"),
        ("table: input, type: u32, word_order: big", "type: bool", "write a number type"),
    ],
)
def test_parameters_that_cannot_be_so_are_errors(folder_with, tmp_path, old, new, says):
    folder = tmp_path / "site"
    shutil.copytree(folder_with.folder, folder)
    file = folder / "site.yaml"
    text = file.read_text(encoding="utf-8")
    assert old in text
    file.write_text(text.replace(old, new), encoding="utf-8")
    if not says:  # the meter's own word order stands in
        assert load_site(folder)
        return
    with pytest.raises(SiteError) as told:
        load_site(folder)
    assert says in str(told.value) and "devices.meter.parameters." in str(told.value)
