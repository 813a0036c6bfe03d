"""The printed matrix: the same cells as the site's, the same outputs as the line's own rows."""

from __future__ import annotations

import csv
import io
import re
from dataclasses import replace
from functools import cache
from pathlib import Path

import pytest

from linectl.cli.matrix import WIDTH, matrix_csv, matrix_html, print_matrix, write_matrix
from linectl.commission.matrix import LETTERS, Matrix, matrix_of
from linectl.errors import UsageError
from linectl.line.build import rows_of
from linectl.site.effects import effect_outputs
from linectl.site.load import load_site
from linectl.site.model import Site
from linectl.site.parts import needs_of

CONFIG = Path(__file__).parents[2] / "config"
SITES = sorted(place.parent.name for place in CONFIG.glob("*/site.yaml"))
site_of = cache(lambda name: load_site(CONFIG / name))


@cache
def _matrix(name: str) -> Matrix:
    return matrix_of(site_of(name))


def _cells(site: Site) -> dict[tuple[str, str], str]:
    return {
        (cell.cause, cell.effect): LETTERS[cell.kind]
        for cause in site.interlocks.causes
        for cell in site.interlocks.cells(cause)
    }


@pytest.mark.parametrize("name", SITES)
def test_an_effect_comes_to_the_same_outputs_as_in_the_rows_that_the_line_runs_on(
    name: str,
) -> None:
    # S01: what check, approval and print call an effect's outputs is what the line takes away
    site, needs = site_of(name), needs_of(site_of(name).file)
    rows = {row.name: row for row in rows_of(site)}
    compared = 0
    for cause, facts in site.interlocks.causes.items():
        acting, barring = set[str](), set[str]()
        for _, effect, kind in site.interlocks.cells(cause):
            outputs = effect_outputs(site.interlocks.effects[effect], site.points, needs)
            (barring if kind == "permissive" else acting).update(outputs)
        row = rows[cause]
        bits = row.blocks if facts.moment == "at_once" else 0
        assert {p.tag for p in site.points if bits >> p.index & 1} == (
            acting if facts.moment == "at_once" else set()
        )
        assert {p.tag for p in site.points if row.bars >> p.index & 1} == barring
        compared += bool(acting)
    assert compared > 40


@pytest.mark.parametrize("name", ["small", "fennmark"])
def test_the_list_read_back_has_the_cells_of_the_site(name: str) -> None:
    site = site_of(name)
    read = list(csv.DictReader(io.StringIO(matrix_csv(_matrix(name)), newline="")))
    written = [row for row in read if row["source"] == "written"]
    assert [row["cause"] for row in written] == list(site.interlocks.causes)
    cells = {
        (row["cause"], effect): row[effect]
        for row in written
        for effect in site.interlocks.effects
        if row[effect]
    }
    assert cells == _cells(site)
    assert "P" in cells.values()
    for row in written:
        tags = [test.point for test in site.interlocks.causes[row["cause"]].when]
        assert row["tags"].split("; ") == tags
        assert all(tag in row["comparison"] for tag in tags)


def test_a_text_of_the_list_is_shown_by_a_spreadsheet_and_not_calculated() -> None:
    matrix = _matrix("small")
    first = replace(matrix.rows[0], text="=stop+all")
    read = csv.DictReader(io.StringIO(matrix_csv(replace(matrix, rows=(first,))), newline=""))
    assert next(iter(read))["text"] == "'=stop+all"


def test_the_list_has_every_row_that_the_line_derives() -> None:
    read = csv.DictReader(io.StringIO(matrix_csv(_matrix("small")), newline=""))
    derived = [row["cause"] for row in read if row["source"] != "written"]
    site = site_of("small")
    rows = [row.name for row in rows_of(site) if row.name not in site.interlocks.causes]
    assert derived == rows
    assert {row.source for row in _matrix("small").derived} == {"silence", "supply", "structure"}


def test_every_moving_output_is_lost_with_the_silence_of_its_device() -> None:
    site = site_of("small")
    needs = needs_of(site.file)
    lost = {row.name: row.outputs for row in _matrix("small").derived if row.source == "silence"}
    for point in site.points:
        if point.tag in needs and needs[point.tag].role.moves:
            assert point.tag in lost[f"silent_{point.device}"]


@pytest.mark.parametrize("name", ["small", "fennmark"])
def test_the_terminal_shows_every_cell_in_no_more_than_100_columns(name: str, capsys) -> None:
    print_matrix(_matrix(name))
    lines = capsys.readouterr().out.splitlines()
    assert max(len(line) for line in lines) <= WIDTH
    site = site_of(name)
    pages = "\n".join(lines).split("Matrix: effects ")[1:]
    seen: dict[tuple[str, str], str] = {}
    effects = list(site.interlocks.effects)
    for page in pages:
        first, last = (int(number) for number in re.findall(r"\d+", page.splitlines()[0]))
        start = 4 + max(len(cause) for cause in site.interlocks.causes) + 1
        for line in page.split("\n\n")[0].splitlines()[1:]:
            words = line.split()
            if len(words) > 1 and words[1] in site.interlocks.causes:
                letters = line[start:].replace("│", "")[1::2].ljust(last - first + 1)
                for place in range(last - first + 1):
                    if letters[place] != " ":
                        seen[words[1], effects[first - 1 + place]] = letters[place]
    assert seen == _cells(site)


def test_the_page_has_every_cell_as_a_letter_and_says_that_it_proves_no_safety() -> None:
    page = matrix_html(_matrix("small"), "approved by nobody <b>yet</b>")
    site = site_of("small")
    for letter in LETTERS.values():
        count = sum(cell == letter for cell in _cells(site).values())
        in_grid = page.split("</ul>", 1)[1]
        assert len(re.findall(rf'<td class="c {letter}[^>]*>{letter}</td>', in_grid)) == count
    assert "it is no safety function" in page
    assert "&lt;b&gt;yet" in page


def test_a_matrix_is_written_as_html_or_csv_only(tmp_path: Path) -> None:
    for name in ("matrix.html", "matrix.csv"):
        write_matrix(tmp_path / name, _matrix("small"), "approved by nobody")
        assert (tmp_path / name).stat().st_size > 5_000
    with pytest.raises(UsageError, match=r"ends in \.html or \.csv"):
        write_matrix(tmp_path / "matrix.txt", _matrix("small"), "")
