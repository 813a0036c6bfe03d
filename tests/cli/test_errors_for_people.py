"""Whatever goes wrong, a person gets a sentence and a program an exit code; never a traceback."""

from __future__ import annotations

import re
import subprocess
import sys
from pathlib import Path

import pytest

from linectl.errors import DeviceRefused, LinectlError, Silent, UsageError

ROOT = Path(__file__).parents[2]


@pytest.fixture
def ends_with(linectl, monkeypatch):
    """Runs a command whose work ends with the given exception."""

    def run(error):
        def work(*_):
            raise error

        monkeypatch.setattr("linectl.cli.rehearse._on_bench", work)
        return linectl("rehearse", "config/small")

    return run


@pytest.mark.parametrize(
    ("error", "code"),
    [
        (LinectlError("it is wrong"), 1),
        (UsageError("it is wrong"), 2),
        (Silent("it is wrong"), 3),
        (DeviceRefused("it is wrong", 2), 3),
    ],
)
def test_an_error_of_ours_is_its_message_and_its_code(ends_with, error, code):
    said = ends_with(error)
    assert (said.code, said.out, said.err.strip()) == (code, "", "it is wrong")


def test_an_interruption_exits_130_and_says_nothing_wrong(ends_with):
    said = ends_with(KeyboardInterrupt())
    assert said.code == 130
    assert "Traceback" not in said.err


def test_a_file_that_cannot_be_written_is_named(ends_with):
    said = ends_with(PermissionError(13, "Permission denied", "/var/events.jsonl"))
    assert (said.code, said.err.strip()) == (3, "/var/events.jsonl: Permission denied")


def test_a_defect_of_ours_keeps_its_traceback_in_a_file(ends_with, monkeypatch, tmp_path):
    monkeypatch.setattr("tempfile.tempdir", str(tmp_path))
    said = ends_with(ZeroDivisionError("division by zero"))
    assert said.code == 1
    assert "Traceback" not in said.err
    (named,) = re.findall(r"\S+linectl-defect-\S+\.txt", said.err)
    assert "ZeroDivisionError: division by zero" in Path(named).read_text()


@pytest.mark.parametrize("command", [("status",), ("why", "fill"), ("command", "sowing", "start")])
def test_a_folder_that_is_none_is_wrong_use_of_what_asks_a_controller(linectl, command):
    name, *rest = command
    said = linectl(name, "config/nowhere", *rest)
    assert (said.code, said.out) == (2, "")
    assert "config/nowhere: there is no such folder" in said.err


@pytest.mark.parametrize("asked", ["check config/tiny", "blend --gutters a=2,b=1 --json"])
def test_a_reader_that_has_seen_enough_ends_a_command_without_a_word(asked):
    command = f"{sys.executable} -m linectl.cli {asked}"
    with subprocess.Popen(
        command.split(), cwd=ROOT, stdout=subprocess.PIPE, stderr=subprocess.PIPE
    ) as run:
        assert run.stdout is not None and run.stderr is not None
        run.stdout.close()  # before the first line
        assert run.stderr.read() == b""
        assert run.wait(30) == 130


def test_a_file_that_will_be_written_at_the_end_is_left_alone_until_then(linectl, tmp_path):
    kept, new = tmp_path / "kept.html", tmp_path / "new.jsonl"
    kept.write_text("of yesterday")
    arguments = ("--report", kept, "--events", new, "--scenario", "nowhere.yaml")
    assert linectl("rehearse", "config/small", *arguments).code == 1
    assert kept.read_text() == "of yesterday"
    assert not new.exists()


def test_an_unknown_command_is_wrong_use(linectl):
    said = linectl("rehears", "config/small")
    assert said.code == 2
    assert "rehears" in said.err


def test_help_shows_every_command_and_the_version_is_said(linectl):
    said = linectl("--help")
    assert said.code == 0
    for name in ("check", "rehearse", "plant", "run", "status", "why", "command", "schema"):
        assert re.search(rf"\b{name}\b", said.out)
    assert re.fullmatch(r"linectl \d+\.\d+\.\d+\n", linectl("--version").out)
