"""S46: a point on another channel: only its cells change, and what rested on it is open again."""

from __future__ import annotations

import csv
import datetime as dt
import io
import json
import shutil
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from linectl import __version__
from linectl.commission import site_change
from linectl.commission.approve import approve_site
from linectl.commission.changes_record import read_changes
from linectl.commission.checkout import record as checkouts
from linectl.commission.field_record import COLUMNS as TEST_COLUMNS
from linectl.commission.field_record import FieldTest, append_test, row_digest
from linectl.commission.file_edit import text_of
from linectl.commission.io_cells import with_cells
from linectl.commission.prove.kept import FILE as PROOFS
from linectl.commission.prove.kept import kept_outcomes
from linectl.commission.remap import Channel, place, point_of, remapped, remarks
from linectl.commission.site_change import Words, make, refuse_unless_stopped, reopened, undone
from linectl.errors import LinectlError, SiteError, UsageError
from linectl.line.build import rows_of
from linectl.site.approval import digest_of_rows
from linectl.site.load import load_site
from linectl.site.matrix_rows import matrix_rows
from linectl.site.model import Site

SMALL = Path(__file__).parents[2] / "config/small"
TODAY = dt.date(2026, 6, 1)
WORDS = Words("remap", "tamp.press_down", "old", "new", "channel burned", "anna")


@pytest.fixture
def folder(tmp_path):
    shutil.copytree(SMALL, tmp_path / "small")
    return tmp_path / "small"


@pytest.fixture(scope="module")
def loaded():
    return load_site(SMALL)


@pytest.fixture
def site(loaded, folder):
    """What the folder says, read once for all."""
    return loaded.model_copy(update={"folder": str(folder)})


def changed_lines(before: bytes, after: bytes) -> list[tuple[bytes, bytes]]:
    old, new = before.splitlines(keepends=True), after.splitlines(keepends=True)
    assert len(old) == len(new)
    return [pair for pair in zip(old, new, strict=True) if pair[0] != pair[1]]


def test_only_the_cells_of_its_row_change(folder, site):
    before = (folder / "io.csv").read_bytes()
    change = remapped(site, "tamp.press_down", Channel("61", note="AE4:12"))
    change.edit.write()
    ((old, new),) = changed_lines(before, (folder / "io.csv").read_bytes())
    assert new == old.replace(b",28,", b",61,").replace(b"AE2:13", b"AE4:12")
    point = point_of(load_site(folder), "tamp.press_down")
    assert place(point) == "discrete 61 (reference 10062) of io_sower, AE4:12"
    assert change.rows == ("tamp.press_down",)


def _as_saved(rows, separator=",", end="\n", encoding="utf-8", quoting=csv.QUOTE_MINIMAL, head=""):
    made = io.StringIO(newline="")
    csv.writer(made, delimiter=separator, lineterminator=end, quoting=quoting).writerows(rows)
    return (head + made.getvalue()).encode(encoding)


@pytest.mark.parametrize(
    "saved",
    [
        {"separator": ";", "end": "\r\n", "encoding": "utf-8-sig"},
        {"separator": "\t", "encoding": "utf-16"},
        {"separator": ";", "quoting": csv.QUOTE_ALL, "head": "sep=;\r\n", "end": "\r\n"},
    ],
    ids=["semicolon", "tab in UTF-16", "all quoted"],
)
def test_however_a_spreadsheet_saved_it(folder, saved):
    rows = list(csv.reader(io.StringIO((folder / "io.csv").read_text(encoding="utf-8"))))
    before = _as_saved(rows, **saved)
    (folder / "io.csv").write_bytes(before)
    place_of = {cell: n for n, cell in enumerate(rows[0])}
    row = next(row for row in rows if row[0] == "tamp.press_down")
    row[place_of["address"]], row[place_of["note"]] = "61", "AE4:12"
    change = remapped(load_site(folder), "tamp.press_down", Channel("61", note="AE4:12"))
    change.edit.write()
    assert (folder / "io.csv").read_bytes() == _as_saved(rows, **saved)


cells = st.text(alphabet='ab,;"\n é', max_size=4)


@given(
    st.lists(st.lists(cells, min_size=3, max_size=3), min_size=1, max_size=4),
    st.sampled_from(",;\t"),
    st.sampled_from(["\n", "\r\n"]),
    st.sampled_from([csv.QUOTE_MINIMAL, csv.QUOTE_ALL]),
    cells,
)
def test_whatever_stands_in_the_other_cells_stays_as_it_is(body, separator, end, quoting, value):
    value = value.strip()
    rows = [
        ["tag", "note", "type", "unit"],
        *(["#x", *row] for row in body),
        ["here", "1", "2", "3"],
    ]
    text = _as_saved(rows, separator, end, quoting=quoting).decode()
    after = with_cells(text, "io.csv", "here", {"type": value, "note": "9"})
    read = list(csv.reader(io.StringIO(after, newline=""), delimiter=separator))
    assert read == [*rows[:-1], ["here", "9", value, "3"]]
    assert text.startswith(after[: after.rindex("here")])


def test_a_short_row_grows_and_a_missing_column_is_added():
    text = "tag,device,note\na,io\nb,io,x\n"
    after = with_cells(text, "io.csv", "a", {"note": "T1", "bit": "3"})
    assert after == "tag,device,note,bit\na,io,T1,3\nb,io,x\n"


@pytest.mark.parametrize(
    ("tag", "to", "says"),
    [
        ("tamp.press_down", Channel("27"), "is taken by tamp.press_up"),
        ("tamp.press_down", Channel("tamp.press_up"), "is taken by tamp.press_up"),
        ("tamp.press_dwn", Channel("61"), "nearest valid name: tamp.press_down"),
        ("tamp.press_down", Channel("61", device="io_swer"), "nearest valid name: io_sower"),
        ("tamp.press_down", Channel("reference:40062"), "lies in table discrete: a channel of"),
        ("tamp.press_down", Channel("28"), "already"),
        ("tamp.press_down", Channel("70000"), "outside 0–65535"),
        ("tamp.press_down", Channel("61", bit=3), "has no bits within an address"),
        ("fill.doser", Channel("40", device="meter"), "watchdog"),
    ],
)
def test_what_cannot_be_is_refused_before_anything_is_written(folder, site, tag, to, says):
    before = (folder / "io.csv").read_bytes()
    with pytest.raises((UsageError, SiteError)) as told:
        remapped(site, tag, to)
    assert says in str(told.value)
    assert (folder / "io.csv").read_bytes() == before
    assert not (folder / "io.csv.previous").exists()


def test_addresses_are_read_and_written_as_the_device_counts(folder):
    text = (folder / "site.yaml").read_text(encoding="utf-8")
    new = text.replace("io_sower: {", "io_sower: {notation: reference, ", 1)
    (folder / "site.yaml").write_text(new, encoding="utf-8")
    lines = (folder / "io.csv").read_text(encoding="utf-8").splitlines()
    digit = {"discrete": "1", "input": "3", "holding": "4"}
    for n, line in enumerate(lines):
        cell = line.split(",")
        if len(cell) > 3 and cell[1] == "io_sower":
            item = int(cell[3]) + 1
            coil = cell[2] == "coil"
            cell[3] = f"item {item}" if coil else f"{digit[cell[2]]}{item:04d}"
            lines[n] = ",".join(cell)
    (folder / "io.csv").write_text("\n".join(lines) + "\n", encoding="utf-8")
    site = load_site(folder)
    for tag, to, cell in (
        ("tamp.press_down", "10062", "10062"),
        ("tamp.press_down", "protocol:61", "10062"),
        ("fill.doser", "item 41", "item 41"),
        ("fill.doser", "protocol:40", "item 41"),
    ):
        change = remapped(site, tag, Channel(to))
        row = next(row for row in change.edit.after.splitlines() if row.startswith(f"{tag},"))
        assert row.split(",")[3] == cell


@pytest.mark.parametrize("own", ["", "tag,device,table,address,type,note\n"])
def test_a_site_over_another_gets_a_row_of_its_own(tmp_path, own):
    (tmp_path / "small").symlink_to(SMALL)
    child = tmp_path / "child"
    child.mkdir()
    (child / "site.yaml").write_text("extends: ../small\nname: child\n", encoding="utf-8")
    if own:
        (child / "io.csv").write_text(own, encoding="utf-8")
    before = load_site(child)
    change = remapped(before, "fill.doser", Channel("40", note="AK3:9"))
    old, new = (point_of(each, "fill.doser") for each in (before, change.after))
    assert new == old.model_copy(update={"address": 40, "note": "AK3:9", "line": 2})
    assert change.rows == ("fill.doser",)
    change.edit.write()
    assert (child / "io.csv").read_text(encoding="utf-8").count("\n") == 2
    site_change.put_back(change.edit)
    assert (child / "io.csv").exists() is bool(own)


def _checked_out(site: Site, *tags: str) -> None:
    for tag in tags:
        facts = dict.fromkeys(checkouts.COLUMNS, "") | {
            "at": "2026-03-31T14:02:07+02:00", "tag": tag, "result": "pass", "by": "anna",
            "row": checkouts.row_of(point_of(site, tag)), "site_digest": site.digest,
        }  # fmt: skip
        checkouts.append_try(Path(site.folder), checkouts.Try(**facts))


def _tested(site: Site, cause: str) -> None:
    row = next(row for row in rows_of(site) if row.name == cause)
    facts = dict.fromkeys(TEST_COLUMNS, "") | {
        "at": "2026-03-31T14:02:07+02:00", "cause": cause, "result": "pass", "tested_by": "anna",
        "witness": "ben", "next_due": "2027-03-31", "row_digest": row_digest(site, row),
    }  # fmt: skip
    append_test(Path(site.folder), FieldTest(**facts))


def test_what_rests_on_the_point_is_named_and_open_again(folder, site):
    approve_site(folder, "cleo", TODAY)
    _checked_out(site, "guard_seed.closed", "tamp.press_down")
    _tested(site, "guard_seed")
    _tested(site, "guard_fill")
    change = remapped(site, "guard_seed.closed", Channel("61", supply="AE1"))
    found = reopened(change, TODAY)
    assert found.checkouts == ("guard_seed.closed",)
    assert found.field_tests == ("guard_seed",)
    assert found.approval == ("causes.guard_seed",)
    make(change, WORDS, change.rows)
    site = load_site(folder)
    states = {one.point.tag: one for one in checkouts.checkout_standing(site).points}
    assert states["guard_seed.closed"].state == "reopened"
    assert "address" in states["guard_seed.closed"].why_open
    assert states["tamp.press_down"].state == "passed"


def test_a_moved_output_is_another_row_of_the_approved_matrix(folder, site):
    approve_site(folder, "cleo", TODAY)
    change = remapped(site, "fill.doser", Channel("40", device="io_lanes"))
    assert reopened(change, TODAY).approval
    assert any("must cut the new channel" in text for text in remarks(change, "fill.doser"))


def test_a_proof_on_the_model_counts_no_longer_where_the_matrix_is_another(site):
    matrix = digest_of_rows(matrix_rows(site))
    row = {"version": __version__, "matrix": matrix, "cause": "guard_seed", "cells": []}
    (Path(site.folder) / PROOFS).write_text(json.dumps(row) + "\n", encoding="utf-8")
    assert kept_outcomes(site, Path(site.folder) / PROOFS) == {"guard_seed": True}
    moved = remapped(site, "fill.doser", Channel("40", device="io_lanes"))
    assert reopened(moved, TODAY).proofs == ("guard_seed",)
    beside = remapped(site, "tamp.press_down", Channel("61", note="AE2:61"))
    assert reopened(beside, TODAY).proofs == ()


def test_forgotten_terminal_and_supply_are_called_to_mind(site):
    told = remarks(remapped(site, "tamp.press_down", Channel("61")), "tamp.press_down")
    assert [("note" in text, "24 V" in text) for text in told] == [(True, False), (False, True)]
    whole = Channel("61", note="AE4:12", supply="AE4")
    assert remarks(remapped(site, "tamp.press_down", whole), "tamp.press_down") == []


def test_the_change_and_its_row_are_both_kept_or_neither(folder, site, monkeypatch):
    before = (folder / "io.csv").read_bytes()
    change = remapped(site, "tamp.press_down", Channel("61"))

    def full(folder, row):
        raise LinectlError("the disk is full")

    monkeypatch.setattr(site_change, "append_change", full)
    with pytest.raises(LinectlError, match="the disk is full"):
        make(change, WORDS, change.rows)
    assert (folder / "io.csv").read_bytes() == before
    monkeypatch.undo()
    row = make(change, WORDS, change.rows)
    assert read_changes(folder) == ((row,), ())
    assert (row.kind, row.reopens, row.by) == ("remap", "tamp.press_down", "anna")
    assert row.site_digest == load_site(folder).digest


def test_undoing_is_one_step_back_to_the_very_bytes_and_no_step_further(folder):
    before = (folder / "io.csv").read_bytes()
    for address in ("61", "62"):
        change = remapped(load_site(folder), "tamp.press_down", Channel(address))
        make(change, WORDS, change.rows)
    undo, last = undone(load_site(folder), "io.csv", ("remap",))
    assert undo.rows == ("tamp.press_down",) and last.kind == "remap"
    make(undo, Words("undo", last.what, last.new, last.old, "card replaced", "ben"), undo.rows)
    assert changed_lines(before, (folder / "io.csv").read_bytes())[0][1].count(b",61,") == 1
    with pytest.raises(UsageError, match=r"it is undo tamp\.press_down by ben"):
        undone(load_site(folder), "io.csv", ("remap",))


def test_nothing_is_undone_over_somebody_elses_edit(folder):
    change = remapped(load_site(folder), "tamp.press_down", Channel("61"))
    make(change, WORDS, change.rows)
    io_csv = folder / "io.csv"
    io_csv.write_text(text_of(io_csv).replace("tamp.press_up", "tamp.press_up", 1), "utf-8")
    undone(load_site(folder), "io.csv", ("remap",))  # spelt anew, it says the same
    text = text_of(io_csv).replace("AE2:12", "AE2:99", 1)
    io_csv.write_text(text, encoding="utf-8")
    with pytest.raises(UsageError, match="the site's files were changed since"):
        undone(load_site(folder), "io.csv", ("remap",))


def test_wiring_changes_only_in_stopped():
    refuse_unless_stopped({})
    refuse_unless_stopped({"sowing": "Stopped", "harvest": "Stopped"})
    for state in ("Idle", "Execute", "Aborted", "Held", "Suspended"):
        with pytest.raises(UsageError, match=f"only in Stopped, and harvest is {state}"):
            refuse_unless_stopped({"sowing": "Stopped", "harvest": state})


@pytest.mark.parametrize(("why", "by"), [("", "anna"), ("burned", " ")])
def test_nothing_changes_without_a_name_and_a_reason(why, by):
    with pytest.raises(UsageError, match="also needed"):
        Words("remap", "a", "b", "c", why, by)
