"""An IO list goes through a spreadsheet unharmed, or a person is told what became of it."""

from __future__ import annotations

import csv
import os
import shutil
import subprocess
from pathlib import Path
from tempfile import TemporaryDirectory

import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from linectl.errors import Finding
from linectl.site.cells import value_of
from linectl.site.iolist import COLUMNS, read_rows
from linectl.site.load import load_site, read_site
from linectl.site.rowfile import Dialect, write_rows

CONFIG = Path(__file__).parents[2] / "config"
DIALECTS = [
    Dialect(separator, line_end, encoding, quote_all)
    for separator in ",;\t"
    for line_end in ("\n", "\r\n", "\r")
    for encoding in ("utf-8", "utf-8-sig", "utf-16")
    for quote_all in (False, True)
]
HEAD = "tag,device,table,address,type,scale,note\n"


def _named(dialect: Dialect) -> str:
    return f"{dialect.separator!r}-{dialect.line_end!r}-{dialect.encoding}-{dialect.quote_all}"


@pytest.mark.parametrize("dialect", DIALECTS[::5], ids=_named)
def test_a_site_saved_by_any_program_is_the_same_site(dialect: Dialect, tmp_path: Path) -> None:
    folder = tmp_path / "small"
    shutil.copytree(CONFIG / "small", folder)
    findings: list[Finding] = []
    rows = read_rows(folder / "io.csv", "io.csv", findings)
    write_rows(folder / "io.csv", COLUMNS, [row.cells for row in rows], dialect)
    assert load_site(folder).digest == load_site(CONFIG / "small").digest


_MESS = st.text(st.characters(blacklist_categories=("Cs", "Cc")) | st.sampled_from("\n,;\t\"'"))
_NOTE = _MESS.map(lambda text: text.strip().strip("\u200b\u200c\u200d\u200e\u200f\u2060\ufeff\xad"))
_WORD = st.text("abcdefghij0123456789._ äß漢", min_size=1).map(str.strip).filter(bool)


@example(
    rows=[{"tag": "0", "note": "0\n0"}],
    dialect=Dialect(separator=",", line_end="\r", encoding="utf-8", quote_all=False),
)
@settings(deadline=None, max_examples=60)
@given(
    rows=st.lists(
        st.dictionaries(st.sampled_from(COLUMNS[1:-1]), _WORD).flatmap(
            lambda cells: st.tuples(_WORD, _NOTE.filter(lambda t: t == t.strip())).map(
                lambda pair: {"tag": pair[0], **cells, **({"note": pair[1]} if pair[1] else {})}
            )
        ),
        max_size=8,
    ),
    dialect=st.sampled_from(DIALECTS),
)
def test_a_list_written_out_is_read_back_equal_in_every_dialect(rows, dialect):
    with TemporaryDirectory() as folder:
        path = Path(folder, "io.csv")
        write_rows(path, COLUMNS, rows, dialect)
        findings: list[Finding] = []
        back = [dict(row.cells) for row in read_rows(path, "io.csv", findings)]
    assert not findings
    assert back == [{key: cell for key, cell in row.items() if cell} for row in rows]


def _read(tmp_path: Path, data: str | bytes) -> tuple[list[dict[str, str]], list[Finding]]:
    path = tmp_path / "io.csv"
    path.write_bytes(data.encode() if isinstance(data, str) else data)
    findings: list[Finding] = []
    return [dict(row.cells) for row in read_rows(path, "io.csv", findings)], findings


ROW = {"tag": "a.b", "device": "x", "table": "coil", "address": "3", "type": "bool"}


@pytest.mark.parametrize(
    "text",
    [
        HEAD + "a.b,x,coil,3,bool,,\n",
        HEAD + " a.b , x,coil,3 ,bool\u00a0,,\n",
        HEAD + "a.b,x,coil,3,bool,,,,,,\n,,,,,,,,,,\n",
        HEAD.replace(",", ";") + "a.b;x;coil;3;bool;;;;;;\n;;;;;\n",
        "tag;device;table;address;type;scale;note;;;;\na.b;x;coil;3;bool;;;;;;\n",
        "tag,device,,table,address,type\na.b,x,,coil,3,bool\n",
        "Tag, DEVICE ,Table,ADDRESS,Type,Word Order\na.b,x,coil,3,bool,\n",
        "\n;;;\n# a remark; with a separator\n" + HEAD.replace(",", ";") + "a.b;x;coil;3;bool\n",
        "sep=;\n" + HEAD.replace(",", ";") + "a.b;x;coil;3;bool\n",
        "note,address,tag,device,table,type\n# of cabinet A,,,,,\n,3,a.b,x,coil,bool\n",
        HEAD + "#,,,,,,\n# cabinet,,,,,,\na.b,x,coil,3,bool,,",
    ],
)
def test_what_a_spreadsheet_adds_is_passed_over(tmp_path: Path, text: str) -> None:
    assert _read(tmp_path, text) == ([ROW], [])


def test_a_note_of_several_lines_is_one_note_whatever_the_line_ends(tmp_path: Path) -> None:
    for end in ("\n", "\r\n", "\r"):
        note = f'"one, ""two"";{end}three"'
        rows, findings = _read(
            tmp_path, HEAD.replace("\n", end) + f"a.b,x,coil,3,bool,,{note}{end}"
        )
        assert (rows, findings) == ([{**ROW, "note": 'one, "two";\nthree'}], [])


@pytest.mark.parametrize(
    ("data", "line", "key", "says"),
    [
        (HEAD.encode() + b"\na.b,x,coil,3,bool,,Geh\xe4use\n", 3, "file",
         "would be 'ä' in Latin-1"),
        (HEAD + "a.b,x,coil,3,bool,,AE1:1,terminal 2\n", 2, "a.b", "has 8 cells, the header has 7"),
        (HEAD + "a.b,x,input,3,u16,1,5,\nc.d,x,input,4,u16,1,\n", 2, "a.b",
         "has 8 cells, the header has 7"),
        ("tag,,device,table,address,type\na.b,7,x,coil,3,bool\n", 2, "a.b",
         "has '7' in a column without a name"),
        (HEAD + 'a.b,x,coil,3,bool,,"never closed\nc.d,x,coil,4,bool,,\n', 2, "file",
         "the quote opened in line 2 is never closed"),
        (HEAD + 'a.b,x,coil,3,bool,,"5" pipe"\n', 2, "file", "a quote stands inside a cell"),
        (b"tag,device\n\x00\x01\n", 2, "file", "holds a zero character"),
        ("", 1, "file", "is empty"),
        ("tag,device,table,address,type,Tag\n", 1, "tag", "stands twice in the header"),
        ("\n\ntag,device,table,adress,type\n", 3, "adress", "is not a column of the IO list"),
    ],
)  # fmt: skip
def test_a_file_that_cannot_be_read_says_in_which_line_and_why(
    tmp_path: Path, data: str | bytes, line: int, key: str, says: str
) -> None:
    _, findings = _read(tmp_path, data)
    there = [found for found in findings if (found.line, found.key) == (line, key)]
    assert there, findings
    assert says in there[0].message


def test_a_remark_is_known_by_its_tag_and_no_point_is_lost_for_its_note(tmp_path: Path) -> None:
    text = "note,address,tag,device,table,type\n#5 cable,3,a.b,x,coil,bool\n,4,# c.d,x,coil,bool\n"
    rows, findings = _read(tmp_path, text)
    assert (rows, findings) == ([{**ROW, "note": "#5 cable"}], [])


SCALE, ADDRESS, BIT, DELAY = "scale", "address", "bit", "on_delay_ms"
MADE_BY_SPREADSHEETS = [
    (SCALE, "0,01", "'0,01' is not a number; write 0.01"),
    (SCALE, "0,0099999999999999999998", "write 0.01"),
    (SCALE, "1.000,5", "write 1000.5"),
    (SCALE, "1,000.5", "write 1000.5"),
    (SCALE, "1\u00a0000", "write 1000"),
    (SCALE, "1,5E+03", "write 1.5E+03"),
    (SCALE, ",5", "write 0.5"),
    (SCALE, "01.02.", "a spreadsheet has made a date of it"),
    (SCALE, "45323", "is what a spreadsheet makes of the date 2024-02-01; write 45323.0 if it is"),
    (SCALE, "1_000", "not a number"),
    (SCALE, "#REF!", "is what a spreadsheet shows when a formula fails"),
    (SCALE, "=0.01*2", "is a formula, not its result"),
    (ADDRESS, "17.0", "'17.0' is not a whole number; write 17"),
    (ADDRESS, "17,0", "'17,0' is not a whole number; write 17"),
    (ADDRESS, "1,5", "'1,5' is not a whole number"),
    (ADDRESS, "1E+03", "has shortened it, and digits may be lost"),
    (ADDRESS, "1E3", "has shortened it, and digits may be lost"),
    (ADDRESS, "01.02.", "has made a date of it"),
    (ADDRESS, "Feb 1", "has made a date of it"),
    (ADDRESS, "01. Feb", "has made a date of it"),
    (ADDRESS, "1-Feb", "has made a date of it"),
    (ADDRESS, "2026-02-01", "has made a date of it"),
    (ADDRESS, "01/02/2026", "has made a date of it"),
    (ADDRESS, "Mär 26", "has made a date of it"),
    (ADDRESS, "00:17", "has made a date of it"),
    (ADDRESS, "#####", "is what a spreadsheet shows when a formula fails"),
    (ADDRESS, "1\u200b7", "is not a number; write 17 (it holds U+200B)"),
    ("tag", "seed.\u00a0vacuum", "holds a character that nobody sees (U+00A0) behind 'seed.'"),
    (BIT, "45323", "is what a spreadsheet makes of the date 2024-02-01"),
    (BIT, "3.0", "'3.0' is not a whole number; write 3"),
    (DELAY, "20.0", "'20.0' is not a whole number of ms; write 20"),
    (DELAY, "2,5", "has no unit; write whole milliseconds, or 2,5s for seconds"),
    (DELAY, "1E3", "has shortened it"),
    ("invert", "WAHR", "'WAHR' is neither yes nor no; write yes"),
    ("invert", "Falsch", "'Falsch' is neither yes nor no; write no"),
    ("unit", "5", "'5' is a number: has a decimal comma made two cells of one?"),
    ("tag", "#NAME?", "is what a spreadsheet shows when a formula fails"),
]


@pytest.mark.parametrize("separator", [",", ";"])
@pytest.mark.parametrize(("column", "cell", "says"), MADE_BY_SPREADSHEETS)
def test_what_a_spreadsheet_has_made_of_a_number_is_told_whatever_the_separator(
    tmp_path: Path, column: str, cell: str, says: str, separator: str
) -> None:
    folder = tmp_path / "small"
    shutil.copytree(CONFIG / "small", folder)
    path = folder / "io.csv"
    with path.open(encoding="utf-8", newline="") as file:
        rows = [row for row in csv.DictReader(file) if row["tag"] == "seed.vacuum"]
    assert len(rows) == 1
    cells = {key: value for key, value in rows[0].items() if value}
    if column == "tag":
        cells = {**cells, "tag": cell}
    write_rows(path, COLUMNS, [{**cells, column: cell}], Dialect(separator))
    told = [f for f in read_site(folder).errors if f.file == "io.csv" and f.line == 2]
    assert [says in f.message for f in told if f.key.endswith(f".{column}")][:1] == [True], told


def test_a_number_as_it_should_be_written_is_never_complained_of() -> None:
    for cell, number in (("0.01", 0.01), ("-1e-3", -0.001), ("45323.0", 45323.0), ("7", 7.0)):
        assert value_of("scale", cell) == number


@given(st.text(max_size=12))
def test_no_cell_raises_anything_but_a_sentence(cell: str) -> None:
    for column in (*COLUMNS, "more"):
        try:
            value_of(column, cell)
        except ValueError as error:
            assert str(error)


@pytest.mark.parametrize(
    ("note", "doubted"),
    [
        ("01:02:00", True), ("1-Feb", True), ("01. Feb", True), ("2026-02-01", True),
        ("01.02.2026", True), ("X1:2", False), ("AE1:1", False), ("1:2", False),
        ("tested 2026-02-01", False), ("axis 1", False), ("1-2", False),
    ],
)  # fmt: skip
def test_a_terminal_that_has_become_a_date_or_a_time_is_doubted(
    tmp_path: Path, note: str, doubted: bool
) -> None:
    folder = tmp_path / "small"
    shutil.copytree(CONFIG / "small", folder)
    text = (folder / "io.csv").read_text(encoding="utf-8")
    assert text.count(",AE2:13,AE2\n") == 1
    (folder / "io.csv").write_text(
        text.replace(",AE2:13,AE2\n", f",{note},AE2\n"), encoding="utf-8"
    )
    found = [f for f in read_site(folder).warnings if f.key.endswith(".note")]
    assert bool(found) is doubted, found


@pytest.mark.skipif(shutil.which("ssconvert") is None, reason="gnumeric is not installed here")
@pytest.mark.parametrize("separator", [",", ";"])
def test_a_real_spreadsheet_opens_and_saves_a_list_and_it_is_the_same_site(
    tmp_path: Path, separator: str
) -> None:
    """Another hand's spreadsheet: through its own file format, and out as CSV again."""
    folder, book, saved = tmp_path / "small", tmp_path / "io.xlsx", tmp_path / "io.txt"
    shutil.copytree(CONFIG / "small", folder)
    options = f"separator={separator} format=automatic"
    for command in (
        ["--import-type=Gnumeric_stf:stf_csvtab", folder / "io.csv", book],
        ["--export-type=Gnumeric_stf:stf_assistant", "-O", options, book, saved],
    ):
        environment = {**os.environ, "LC_ALL": "C.UTF-8"}
        subprocess.run(
            ["ssconvert", *map(str, command)], env=environment, check=True, capture_output=True
        )
    assert saved.read_bytes() != (folder / "io.csv").read_bytes()
    saved.replace(folder / "io.csv")
    assert load_site(folder).digest == load_site(CONFIG / "small").digest
