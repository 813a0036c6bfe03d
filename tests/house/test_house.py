"""The house itself: sizes, first lines, words, and documents that keep up with the code."""

from __future__ import annotations

import ast
import re
import subprocess
from pathlib import Path

import pytest
from typer.main import get_command

from linectl.cli.app import app

ROOT = Path(__file__).parents[2]
LINES_MAX = 600
FUNCTION_LINES_MAX = 60
ENTRIES = {
    "README.md",
    "DEVELOPERS.md",
    "SAFETY.md",
    "pyproject.toml",
    "LICENSE",
    "linectl",
    "sim",
    "tests",
    "config",
}


def _files() -> list[str]:
    """What belongs to the project: tracked, or new and not ignored; else what lies here."""
    listing = subprocess.run(
        ["git", "ls-files", "--cached", "--others", "--exclude-standard"],
        cwd=ROOT,
        capture_output=True,
        text=True,
        check=False,
    )
    if listing.returncode == 0:
        names = listing.stdout.split("\n")
    else:
        hidden = (
            ".venv",
            "__pycache__",
            ".pytest_cache",
            ".mypy_cache",
            ".ruff_cache",
            ".hypothesis",
        )
        names = [
            path.relative_to(ROOT).as_posix()
            for path in ROOT.rglob("*")
            if path.is_file() and not any(part in hidden for part in path.parts)
        ]
    return sorted({name for name in names if name and (ROOT / name).is_file()})


FILES = _files()
MODULES = [name for name in FILES if name.endswith(".py")]
OURS = [name for name in MODULES if name.startswith(("linectl/", "sim/"))]
TEXTS = [name for name in FILES if name.endswith((".py", ".md", ".yaml", ".toml", ".csv", ".html"))]


def _text(name: str) -> str:
    return (ROOT / name).read_text(encoding="utf-8")


def _tree(name: str) -> ast.Module:
    return ast.parse(_text(name), name)


def test_the_root_holds_only_what_a_newcomer_expects():
    top = {name.split("/")[0] for name in FILES}
    assert {name for name in top if not name.startswith(".")} <= ENTRIES


def test_a_file_has_one_subject_and_fits_in_a_head():
    """Longer ones are split by subject."""
    lengths = {name: len(_text(name).splitlines()) for name in MODULES}
    assert {name: length for name, length in lengths.items() if length > LINES_MAX} == {}


def test_the_first_line_of_a_module_says_what_it_is_for():
    """A docstring of one line."""
    firsts = {name: _text(name).split("\n", 1)[0] for name in OURS if _text(name)}
    said = re.compile(r'^"""\S.{10,}')
    assert [name for name, first in firsts.items() if not said.match(first)] == []


def test_a_function_fits_a_screen():
    lengths = {
        f"{name}: {node.name}": (node.end_lineno or node.lineno) - node.lineno + 1
        for name in OURS
        for node in ast.walk(_tree(name))
        if isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef)
    }
    assert {one: length for one, length in lengths.items() if length > FUNCTION_LINES_MAX} == {}


def test_no_file_is_a_drawer():
    drawers = ("utils", "util", "helpers", "helper", "misc", "common", "manager", "base")
    assert [name for name in MODULES if Path(name).stem in drawers] == []


def test_no_module_of_ours_leaves_work_for_later_unsaid():
    words = re.compile(r"\b(TODO|FIXME|XXX|HACK|NotImplementedError)\b")
    found = {
        f"{name}:{number}"
        for name in OURS
        for number, line in enumerate((ROOT / name).read_text(encoding="utf-8").splitlines(), 1)
        if words.search(line) and "raise NotImplementedError" not in line
    }
    assert found == set()


def test_the_trade_has_one_word_for_each_thing():
    other = re.compile(r"\b(cycle[- ]time|trough|conveyor belt zone|crop channel)\b", re.I)
    found = {name for name in TEXTS if other.search((ROOT / name).read_text(encoding="utf-8"))}
    assert found - {"tests/house/test_house.py"} == set()


def test_every_command_is_in_the_list_of_commands():
    listed = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
    for name in get_command(app).commands:
        assert f"`linectl {name}" in listed, f"DEVELOPERS.md does not list `linectl {name}`"


def test_every_command_shows_an_example_and_says_what_its_options_do():
    for name, command in get_command(app).commands.items():
        assert f"linectl {name}" in (command.epilog or ""), f"{name} has no example"
        for parameter in command.params:
            if parameter.name != "help":
                assert parameter.help, f"{name}: {parameter.name} has no help"


ROW = re.compile(r"^\|\s*(S\d\d)\s*\|(.*)\|(.*)\|\s*$", re.M)


def _safety_rows() -> list[tuple[str, str]]:
    text = (ROOT / "SAFETY.md").read_text(encoding="utf-8")
    return [(row[1], row[3].strip()) for row in ROW.finditer(text)]


def test_the_safety_table_is_there_and_each_id_stands_once():
    ids = [identity for identity, _ in _safety_rows()]
    assert ids
    assert len(ids) == len(set(ids))


@pytest.mark.parametrize(("identity", "verified_by"), _safety_rows(), ids=lambda cell: cell[:40])
def test_every_hazard_is_named_by_a_test_or_said_to_be_a_matter_of_inspection(
    identity, verified_by
):
    if "by inspection" in verified_by:
        return
    tests = [name for name in MODULES if name.startswith("tests/") and name not in _SELF]
    named = [name for name in tests if identity in (ROOT / name).read_text(encoding="utf-8")]
    assert named, f"SAFETY.md {identity}: no test names it, and it is not 'by inspection'"


_SELF = ("tests/house/test_house.py",)
