"""A checkout at a pseudo-terminal: what a person reads, types and hears; what is open, listed."""

from __future__ import annotations

import contextlib
import fcntl
import json
import os
import pty
import re
import select
import shutil
import struct
import subprocess
import sys
import termios
from pathlib import Path

import pytest

from linectl.commission.checkout.record import read_tries
from linectl.site.load import load_site

ROOT = Path(__file__).parents[2]
AT_BENCH = ROOT / "tests/bench/checkout_at_bench.py"
PATIENCE_S = 60
STYLE = re.compile(r"\x1b\[[0-9;]*m")


@pytest.fixture
def folder(tmp_path):
    shutil.copytree(ROOT / "config/small", tmp_path / "small")
    return tmp_path / "small"


class Screen:
    """One command at a terminal of so many columns."""

    def __init__(self, folder: Path, columns: int, mistakes: list[str], *options: str) -> None:
        self.columns = columns
        self.ours, theirs = pty.openpty()
        fcntl.ioctl(theirs, termios.TIOCSWINSZ, struct.pack("HHHH", 40, columns, 0, 0))
        self.heard, self._read_to = "", 0
        command = [sys.executable, str(AT_BENCH), str(folder), *mistakes, "--", *options]
        path = os.pathsep.join((str(ROOT), str(ROOT / "sim")))
        env = {k: v for k, v in os.environ.items() if k not in ("COLUMNS", "LINES", "NO_COLOR")}
        self.started = subprocess.Popen(
            command, cwd=ROOT, stdin=theirs, stdout=theirs, stderr=theirs,
            env=env | {"TERM": "xterm", "PYTHONPATH": path},
        )  # fmt: skip
        os.close(theirs)

    def type(self, when: str, text: str) -> None:
        """Wait for those words, then type."""
        while when not in self._words(self._read_to):
            assert select.select([self.ours], [], [], PATIENCE_S)[0], self.heard
            self.heard += os.read(self.ours, 4096).decode()
        self._read_to = len(self.heard)
        os.write(self.ours, text.encode() + b"\n")

    def end(self) -> int:
        """Everything to the end; the exit code."""
        with contextlib.suppress(OSError):  # the end of a pseudo-terminal
            while data := os.read(self.ours, 4096):
                self.heard += data.decode()
        os.close(self.ours)
        return self.started.wait(PATIENCE_S)

    def _words(self, since: int = 0) -> str:
        return " ".join(STYLE.sub("", self.heard[since:]).split())

    @property
    def words(self) -> str:
        return self._words()

    @property
    def lines(self) -> list[str]:
        text = STYLE.sub("", self.heard).replace("\r", "").replace("\a", "")
        return text.split("\n")


@pytest.mark.parametrize("columns", [80, 120])
def test_a_person_reads_where_it_is_acts_and_hears_that_it_was_seen(folder, columns):
    screen = Screen(folder, columns, ["fill.exit_eye=dead"], "--only", "guard_fill", "--only",
                    "fill.exit_eye", "--wait", "2s")  # fmt: skip
    screen.type("who does it", "anna")
    for _ in range(4):
        screen.type("yes, or q to end:", "yes")
    screen.type("command mode maintenance?", "yes")
    screen.type("s leaves it out, q ends:", "f")
    screen.type("remark for the record", "wire 7 is off")
    screen.type("r: put right", "")
    assert screen.end() == 1
    assert "[1 of 2] guard_fill.closed" in screen.words
    where = "io_sower, discrete 7 (reference 10008), terminal AE1:8, supply AE1"
    assert where in screen.words
    assert "guard_fill.closed: open the guard" in screen.words
    assert "seen: 0" in screen.words
    assert "Lock out first" in screen.words
    assert "dead point: it stays 0" in screen.words
    assert screen.heard.count("\a") >= 3
    typed = ("who does it", "yes, or q", "remark", "q ends:", "the record is")  # or copied
    told = [line for line in screen.lines if not any(word in line for word in typed)]
    assert max(map(len, told)) <= columns
    tried, _ = read_tries(folder)
    assert [(one.tag, one.result, one.by) for one in tried] == [
        ("guard_fill.closed", "pass", "anna"), ("fill.exit_eye", "fail", "anna"),
    ]  # fmt: skip
    assert tried[-1].remark == "wire 7 is off"


def test_an_output_says_its_danger_and_moves_only_when_its_tag_is_typed(folder):
    first = ("sowing.estop_ok", "sowing.enabling", "sowing.horn", "sowing.beacon")
    only = [word for tag in (*first, "infeed.extend") for word in ("--only", tag)]
    screen = Screen(folder, 80, [], "--by", "anna", "--wait", "2s", *only)
    for _ in range(4):
        screen.type("yes, or q to end:", "yes")
    screen.type("command mode maintenance?", "yes")
    for tag in ("sowing.horn", "sowing.beacon"):
        screen.type(f'type "{tag}" for ONE pulse', tag)
        screen.type(f"did {tag} move", "yes")
    screen.type('type "infeed.extend" for ONE pulse', "infeed.extend")
    screen.type("i resets interlocks", "i")
    screen.type('type "infeed.extend" for ONE pulse', "yes")
    assert screen.end() == 0
    assert "this will travel its whole stroke" in screen.words
    assert "danger: the arm reaches into lane or table" in screen.words
    assert "'yes' is not 'infeed.extend': no pulse" in screen.words
    assert "left out, nothing is recorded" in screen.words
    tried, _ = read_tries(folder)
    assert "infeed.extend" not in {one.tag for one in tried}


def test_q_ends_and_the_list_says_what_is_open_and_why(folder, linectl):
    screen = Screen(folder, 80, ["fill.exit_eye=inverted"], "--by", "anna", "--only", "fill",
                    "--wait", "2s")  # fmt: skip
    for _ in range(4):
        screen.type("yes, or q to end:", "yes")
    screen.type("command mode maintenance?", "yes")
    screen.type("Is the device at rest now?", "yes")
    screen.type("remark", "")
    screen.type("r: put right", "q")
    assert screen.end() == 1
    assert "ended; what is recorded stays, the rest is still open" in screen.words
    said = linectl("checkout", folder, "--list")
    assert said.code == 0
    (row,) = [line for line in said.out.splitlines() if "fill.exit_eye" in line]
    assert row.split()[0] == "FAILED"
    assert "inverted contact" in row
    site = load_site(folder)
    told = json.loads(linectl("checkout", folder, "--json").out)
    assert told["points"] == len(site.points)
    assert (told["failed"], told["deficiencies"][0]["tag"]) == (1, "fill.exit_eye")


@pytest.mark.parametrize(
    ("options", "why"),
    [
        (("--only", "fil"), "'fil' is no tag, station, lane, zone or device here"),
        (("--plant", "plant.json"), "add --answers FILE.yaml"),
        (("--answers", "none.yaml", "--json"), "there is no such file of answers"),
        (("--range", "fill.level=3"), "write TAG=LOW..HIGH"),
        (("--tolerance", "7"), "tolerance"),
    ],
)
def test_what_is_typed_wrongly_says_what_would_be_right(folder, linectl, options, why):
    said = linectl("checkout", folder, *options)
    assert said.code == 2
    assert why in " ".join(said.err.split())


def test_without_a_running_controller_nobody_is_asked_for_anything(folder, linectl):
    said = linectl("checkout", folder, "--by", "anna")
    assert said.code == 3
    assert "start one with: linectl run" in said.err
