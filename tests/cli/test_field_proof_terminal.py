"""The guide of a field test at a terminal: names, cautions, breaking off, and the list."""

from __future__ import annotations

import io
import json
import os
import shutil
import signal
from pathlib import Path

import pytest

from linectl.cli import field_proof as terminal
from linectl.cli.field_proof import field_proof, list_field_tests
from linectl.commission.controller import Look, Standing
from linectl.commission.field_record import FILE, field_rows
from linectl.errors import UsageError
from linectl.site.load import load_site

ROOT = Path(__file__).parents[2]
YES = "yes\n" * 4


@pytest.fixture
def site(tmp_path):
    shutil.copytree(ROOT / "config/small", tmp_path / "small")
    return load_site(tmp_path / "small")


@pytest.fixture
def typed(site, monkeypatch, capsys):
    """What a person reads when they type this at a machine on which nothing moves."""
    points = {point.tag: True if point.is_bool else 50.0 for point in site.points}
    for row in field_rows(site):
        for test in row.tests:
            if test.level is not None:
                points[site.points[test.index].tag] = not test.level
    looks = []

    class Still:
        def __init__(self, folder: Path) -> None:
            pass

        def look(self, since: int) -> Look:
            looks.append(since)
            if len(looks) == 4:
                os.kill(os.getpid(), signal.SIGINT)  # the person has enough
            return Look(site.digest, 100 * len(looks), 20, 0, False, points, ())

        def standing(self) -> Standing:
            return Standing({"sowing": "Idle"}, {"sowing": "production"}, frozenset())

    monkeypatch.setattr(terminal, "RunningController", Still)
    monkeypatch.setattr(terminal, "LOOK_EVERY_S", 0.0)

    def type_in(text: str, **more) -> tuple[bool, str]:
        monkeypatch.setattr("sys.stdin", io.StringIO(text))
        fine = field_proof(Path(site.folder), site, causes=["guard_seed"], **more)
        return fine, capsys.readouterr().out

    return type_in


def test_a_watch_that_is_broken_off_ends_the_watch_and_not_the_command(typed, site):
    fine, said = typed(f"anna\nben\n{YES}\nf\nno cable yet\n")
    assert not fine
    assert "nothing was seen to move: look at the device, its wire and its terminal" in said
    assert "guard_seed.closed: io_sower, discrete 8, AE1:9" in said
    assert "0 passed, 1 failed, 0 left out" in said
    assert "no cable yet" in (Path(site.folder) / FILE).read_text(encoding="utf-8")
    assert signal.getsignal(signal.SIGINT) is signal.default_int_handler


def test_a_script_that_ends_ends_the_round_and_records_nothing(typed, site):
    fine, said = typed(f"anna\nben\n{YES}")
    assert fine
    assert "0 passed, 0 failed, 1 left out" in said
    assert not (Path(site.folder) / FILE).exists()


@pytest.mark.parametrize(
    ("text", "more", "says"),
    [
        ("", {"by": "anna", "witness": "Anna "}, "another person"),
        ("anna\n", {}, "it must be said who witnesses it"),
        ("q\n", {}, "it must be said who trips the devices"),
    ],
)
def test_nobody_tests_without_a_name_and_a_witness(typed, text, more, says):
    with pytest.raises(UsageError, match=says):
        typed(text, **more)


def test_the_list_says_what_is_outstanding_and_who_tested(typed, site, capsys):
    typed(f"anna\nben\n{YES}\nf\n\n")
    list_field_tests(site)
    said = capsys.readouterr().out
    assert "field test outstanding: 71 of 71 causes" in said
    (row,) = [line for line in said.splitlines() if " guard_seed " in line]
    assert row.split()[0] == "FAILED"
    assert "anna, ben" in row
    list_field_tests(site, as_json=True)
    told = json.loads(capsys.readouterr().out)
    assert told["outstanding"] == len(told["causes"]) == 71
    by_cause = {one["cause"]: one for one in told["causes"]}
    assert by_cause["guard_seed"]["last"]["result"] == "fail"
    assert by_cause["guard_fill"] == {
        "cause": "guard_fill", "text": "guard at the filler open", "state": "never tested",
        "due": None, "last": None,
    }  # fmt: skip
