"""The record of field tests: only added to, and what is not known to be proven is outstanding."""

from __future__ import annotations

import dataclasses
import datetime as dt
import shutil
from functools import cache
from pathlib import Path

import pytest

from linectl.commission.field_record import (
    COLUMNS,
    FILE,
    FieldTest,
    append_test,
    field_rows,
    field_standing,
    read_tests,
    row_digest,
)
from linectl.errors import LinectlError
from linectl.site.load import load_site

SMALL = Path(__file__).parents[2] / "config/small"
TODAY = dt.date(2026, 6, 1)
site_of = cache(load_site)


@pytest.fixture
def folder(tmp_path):
    shutil.copytree(SMALL, tmp_path / "small")
    return tmp_path / "small"


def edited(folder: Path, old: str, new: str) -> None:
    file = folder / "interlocks.yaml"
    text = file.read_text(encoding="utf-8")
    assert old in text
    file.write_text(text.replace(old, new, 1), encoding="utf-8")


def a_test(**more: str) -> FieldTest:
    site = site_of(SMALL)
    row = next(row for row in field_rows(site) if row.name == "guard_seed")
    facts = dict.fromkeys(COLUMNS, "") | {
        "at": "2026-03-31T14:02:07+02:00", "cause": "guard_seed", "result": "pass",
        "tested_by": "anna", "witness": "ben", "next_due": "2027-03-31",
        "row_digest": row_digest(site, row),
    }  # fmt: skip
    return FieldTest(**(facts | more))


def state(folder: Path, today: dt.date = TODAY, cause: str = "guard_seed") -> str:
    standing = field_standing(load_site(folder), today)
    return next(one.state for one in standing.causes if one.cause == cause)


def test_every_guard_stop_drive_device_and_supply_is_outstanding_at_first(folder):
    standing = field_standing(load_site(folder), TODAY)
    names = {one.cause for one in standing.outstanding}
    assert {"guard_seed", "estop_lanes", "isolator_fill", "silent_meter", "supply_AE1"} <= names
    assert not any("gripper" in name for name in names)  # from the machine's shape: no device


def test_a_passed_test_is_good_until_its_day_and_named_before(folder):
    append_test(folder, a_test())
    assert state(folder) == "valid"
    assert state(folder, dt.date(2027, 3, 1)) == "due soon"
    assert state(folder, dt.date(2027, 3, 31)) == "due soon"
    assert state(folder, dt.date(2027, 4, 1)) == "overdue"
    assert state(folder, cause="guard_fill") == "never tested"


def test_a_later_failure_stands_for_the_pass_before_it(folder):
    append_test(folder, a_test())
    append_test(folder, a_test(result="fail"))
    assert state(folder) == "failed"


@pytest.mark.parametrize(
    ("old", "new"),
    [
        (
            "guard_seed: [sowing_off, abort_sowing]",
            "guard_seed: [sowing_off, abort_sowing, hold_harvest]",
        ),
        (
            "[{point: guard_seed.closed, is: false}]\n    reset: interlock",
            "[{point: guard_seed.closed, is: false}]\n    reset: at_machine",
        ),
    ],
)
def test_a_cause_changed_since_wants_a_new_test(folder, old, new):
    append_test(folder, a_test())
    edited(folder, old, new)
    assert state(folder) == "changed since"


def test_a_point_on_another_terminal_wants_a_new_test(folder):
    append_test(folder, a_test())
    io = folder / "io.csv"
    text = io.read_text(encoding="utf-8")
    io.write_text(
        text.replace(
            "guard_seed.closed,io_sower,discrete,8,", "guard_seed.closed,io_sower,discrete,60,"
        ),
        encoding="utf-8",
    )
    assert state(folder) == "changed since"


def test_other_words_for_a_cause_want_no_new_test(folder):
    append_test(folder, a_test())
    edited(folder, "text: guard at the seeder open", "text: the guard at the seeder is open")
    assert state(folder) == "valid"


def test_a_shorter_interval_in_the_file_holds_for_tests_done_before_it(folder):
    append_test(folder, a_test())
    edited(folder, "    text: guard at the seeder open", "    text: seeder\n    test_every: 30d")
    assert state(folder) == "overdue"


def test_an_interval_under_a_day_is_refused(folder):
    edited(folder, "    text: guard at the seeder open", "    text: seeder\n    test_every: 8h")
    with pytest.raises(LinectlError, match="test_every"):
        load_site(folder)


def test_the_file_is_only_added_to_and_opens_in_a_spreadsheet(folder):
    append_test(folder, a_test())
    before = (folder / FILE).read_bytes()
    append_test(folder, a_test(note='he said "off", at once;\nthen left'))
    after = (folder / FILE).read_bytes()
    assert after.startswith(before)
    assert before.startswith(b"\xef\xbb\xbfat,cause,text,result,")
    tests, wrong = read_tests(folder)
    assert (len(tests), wrong) == (2, ())
    assert tests[1].note == 'he said "off", at once; then left'


def test_a_note_is_never_a_formula(folder):
    append_test(folder, a_test(note="=1+1"))
    assert read_tests(folder)[0][0].note == "'=1+1"


def test_a_row_torn_by_a_power_cut_counts_as_no_test_and_harms_no_other(folder):
    append_test(folder, a_test())
    whole = (folder / FILE).read_bytes()
    (folder / FILE).write_bytes(whole[:-60])
    assert state(folder) == "never tested"
    append_test(folder, a_test())
    tests, wrong = read_tests(folder)
    assert len(tests) == 1
    assert str(wrong[0]).startswith("field_tests.csv:2: ")
    assert state(folder) == "valid"


def test_a_list_saved_by_a_spreadsheet_with_semicolons_goes_on(folder):
    append_test(folder, a_test())
    text = (folder / FILE).read_text(encoding="utf-8-sig").replace(",", ";")
    (folder / FILE).write_text(text, encoding="utf-8")
    append_test(folder, a_test(note="a, b"))
    tests, wrong = read_tests(folder)
    assert ([test.note for test in tests], wrong) == (["", "a, b"], ())


def test_a_date_that_a_spreadsheet_rewrote_is_told_with_its_line_and_counts_as_no_test(folder):
    append_test(folder, a_test(next_due="31.03.2027"))
    standing = field_standing(load_site(folder), TODAY)
    assert state(folder) == "never tested"
    assert "field_tests.csv:2: next_due: '31.03.2027' is no date" in str(standing.unreadable[0])


def test_a_file_with_other_columns_is_left_alone(folder):
    (folder / FILE).write_text("at;cause\n", encoding="utf-8")
    with pytest.raises(LinectlError, match="another program has changed its columns"):
        append_test(folder, a_test())
    assert (folder / FILE).read_text(encoding="utf-8") == "at;cause\n"


def test_the_record_is_no_part_of_the_site_it_tells_of(folder):
    before = load_site(folder).digest
    append_test(folder, a_test())
    assert load_site(folder).digest == before
    assert dataclasses.fields(FieldTest)[0].name == COLUMNS[0]
