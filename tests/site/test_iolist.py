"""The IO list as spreadsheets write it, and what of it cannot be read."""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest

from linectl.errors import Finding
from linectl.site.iolist import read_rows
from linectl.site.load import read_site

CONFIG = Path(__file__).parents[2] / "config"


def _copy(tmp_path: Path) -> Path:
    folder = tmp_path / "small"
    shutil.copytree(CONFIG / "small", folder)
    return folder


def test_rows_for_people_are_passed_over_and_lines_still_count(tmp_path: Path) -> None:
    path = tmp_path / "io.csv"
    path.write_text("tag,device,table,address,type\n# cabinet A\n,,,,\na.b,x,coil,3,bool\n")
    findings: list[Finding] = []
    rows = read_rows(path, "io.csv", findings)
    assert not findings
    assert [(row.tag, row.line) for row in rows] == [("a.b", 4)]


def test_an_output_with_a_quoted_note_over_two_lines_keeps_the_next_lines_right(
    tmp_path: Path,
) -> None:
    path = tmp_path / "io.csv"
    path.write_text('tag,device,table,address,type,note\na.b,x,coil,3,bool,"one\ntwo"\nc.d,x\n')
    rows = read_rows(path, "io.csv", [])
    assert [(row.tag, row.line) for row in rows] == [("a.b", 2), ("c.d", 4)]


@pytest.mark.parametrize(
    ("cell", "new", "key", "says"),
    [
        ("discrete,18", "discrete,18a", "fill.entry_eye.address", "'18a' is not a whole number"),
        ("discrete,18", "discreet,18", "fill.entry_eye.table", "'discreet' is not one of"),
        ("discrete,18,,bool", "discrete,18,,boole", "fill.entry_eye.type", "is not one of"),
        ("discrete,18,,bool,,,,", "discrete,18,,bool,,,,maybe", "fill.entry_eye.invert",
         "'maybe' is neither yes nor no"),
        ("discrete,18,,bool,,,,,", "discrete,18,,bool,,,,,soon", "fill.entry_eye.on_delay_ms",
         "is not a duration"),
        ("discrete,18", ",18", "fill.entry_eye.table", "is empty"),
    ],
)  # fmt: skip
def test_a_cell_that_cannot_be_read_is_said_by_tag_and_column(
    tmp_path: Path, cell: str, new: str, key: str, says: str
) -> None:
    folder = _copy(tmp_path)
    path = folder / "io.csv"
    text = path.read_text(encoding="utf-8")
    row = "fill.entry_eye,io_sower,"
    assert row + cell in text
    path.write_text(text.replace(row + cell, row + new), encoding="utf-8")
    errors = read_site(folder).errors
    assert [found.key for found in errors] == [key], errors
    assert says in errors[0].message
    assert errors[0].line == next(
        n for n, line in enumerate(text.splitlines(), 1) if line.startswith(row)
    )


@pytest.mark.parametrize("file", ["site.yaml", "io.csv", "interlocks.yaml", "crops.yaml"])
def test_a_missing_file_is_one_finding_and_not_a_hundred(tmp_path: Path, file: str) -> None:
    folder = _copy(tmp_path)
    (folder / file).unlink()
    errors = read_site(folder).errors
    assert [(f.file, f.key) for f in errors] == [(file, "file")]
    assert "cannot be read" in errors[0].message
