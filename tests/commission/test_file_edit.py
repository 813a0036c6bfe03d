"""Changing a site's file: only the lines that must change do, and one step undoes it."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from linectl.commission.file_edit import FileEdit, text_of, undoing
from linectl.commission.yaml_edit import edited, put
from linectl.errors import UsageError

TEXT = """\
# what was measured
doser:
  factor: 1.0   # nobody has weighed yet
  by: ben


drum: {factor: 0.992, by: ben} # pellets
"""
BY_HAND = "write it by hand"


def test_one_value_changes_and_its_remark_stays_in_its_column():
    after = edited(TEXT, lambda data: put(data, ("doser", "factor"), 1.03), BY_HAND)
    assert after == TEXT.replace("factor: 1.0  ", "factor: 1.03 ")


def test_a_new_section_stands_last_and_alters_nothing_above_it():
    after = edited(TEXT, lambda data: put(data, ("water", "factor"), 0.97), BY_HAND)
    assert after == TEXT + "water:\n  factor: 0.97\n"


def test_line_ends_and_the_mark_of_another_program_stay():
    text = "\ufeff" + TEXT.replace("\n", "\r\n")
    after = edited(text, lambda data: put(data, ("doser", "by"), "anna"), BY_HAND)
    assert after == text.replace("by: ben\r\n", "by: anna\r\n", 1)


@pytest.mark.parametrize("text", ["doser: [1, 2\n", "- a\n- b\n"])
def test_what_cannot_be_changed_for_certain_is_left_to_a_person(text):
    with pytest.raises(UsageError, match=BY_HAND):
        edited(text, lambda data: put(data, ("doser", "factor"), 1.03), BY_HAND)


@given(st.floats(0.5, 2).map(lambda factor: round(factor, 4)))
def test_whatever_the_value_all_other_lines_are_as_they_were(factor):
    after = edited(TEXT, lambda data: put(data, ("doser", "factor"), factor), BY_HAND)
    changed = [
        number
        for number, (old, new) in enumerate(zip(TEXT.splitlines(), after.splitlines(), strict=True))
        if old != new
    ]
    assert changed in ([], [2])


def test_undoing_puts_the_file_back_and_undoing_again_takes_it_forward(tmp_path):
    path = tmp_path / "calibration.yaml"
    path.write_text(TEXT)
    after = TEXT.replace("1.0", "1.03")
    FileEdit(path, TEXT, after).write()
    assert text_of(path) == after
    undoing(path).write()
    assert text_of(path) == TEXT
    undoing(path).write()
    assert text_of(path) == after


def test_nothing_is_written_over_what_somebody_else_has_changed_meanwhile(tmp_path):
    path = tmp_path / "calibration.yaml"
    path.write_text("doser: {}\n")
    edit = FileEdit(path, TEXT, TEXT + "# more\n")
    with pytest.raises(UsageError, match="somebody else"):
        edit.write()
    assert path.read_text() == "doser: {}\n"


def test_there_is_nothing_to_undo_before_the_first_change(tmp_path):
    with pytest.raises(UsageError, match="to go back to"):
        undoing(tmp_path / "calibration.yaml")
