"""`commission` as a person types it, and what `status` and `run` say of a release."""

from __future__ import annotations

import contextlib
import json
import os
import pty
import select
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

from linectl.cli.released import release_lines, release_word
from linectl.commission.readiness.record import read_acts

ROOT = Path(__file__).parents[2]
PATIENCE_S = 30


@pytest.fixture
def site(tmp_path, monkeypatch):
    tmp_path.chmod(0o700)
    monkeypatch.setenv("XDG_RUNTIME_DIR", str(tmp_path))
    shutil.copytree(ROOT / "config/small", tmp_path / "small")
    return tmp_path / "small"


def test_it_says_what_is_left_by_stage_what_is_next_and_with_which_command(site, linectl):
    said = linectl("commission", site)
    assert (said.code, said.err) == (1, "")
    lines = said.out.splitlines()
    assert lines[0].startswith("small: NOT READY")
    assert "  dry cycle may not start: 3" in said.out
    assert f"  linectl commission {site} --sign lock_out --by NAME" in lines
    stages = ["Power on", "Inputs", "Outputs", "First motion", "First gutter", "First hour"]
    places = [next(n for n, line in enumerate(lines) if line.startswith(t)) for t in stages]
    assert places == sorted(places)
    assert "no controller runs here" in said.out
    assert "site_check" not in said.out
    assert "site_check" in linectl("commission", site, "--all").out


def test_its_object_has_the_promised_keys_in_each_item(site, linectl):
    said = linectl("commission", site, "--json")
    told = json.loads(said.out)
    assert (said.code, told["site"], told["ready"], told["done"]) == (1, "small", False, False)
    assert {item["kind"] for item in told["items"]} == {"fact", "signed"}
    for item in told["items"]:
        assert (type(item["item"]), type(item["ok"]), type(item["why"])) == (str, bool, str)
    assert set(told["release"]) == {"dry_cycle", "production"}
    assert told["next"] == "lock_out"


def test_a_signature_without_a_person_to_read_it_is_refused_unless_a_script_says_so(site, linectl):
    asked = ("commission", site, "--sign", "lock_out", "--by", "anna")
    said = linectl(*asked)
    assert said.code == 2
    assert "say --yes" in said.err
    assert read_acts(site).rows == ()
    said = linectl(*asked, "--witness", "ben", "--yes", "--json")
    assert json.loads(said.out)["act"] == "sign"
    (row,) = read_acts(site).rows
    assert (row.item, row.by, row.witness) == ("lock_out", "anna", "ben")


def test_an_override_and_its_end_as_a_script_types_them(site, linectl):
    more = ("--by", "ben", "--why", "no water yet", "--for", "2d", "--yes")
    said = linectl("commission", site, "--override", "calibration.water", *more)
    assert said.code == 0
    assert "calibration.water: overridden by ben until " in said.out
    assert "overridden by ben: calibration.water until" in linectl("commission", site).out
    said = linectl("commission", site, "--withdraw", "calibration.water", "--by", "anna")
    assert "taken back by anna" in said.out
    assert "overridden" not in linectl("commission", site).out


@pytest.mark.parametrize(
    ("typed", "why"),
    [
        (("--sign", "lock_out"), "also needed: --by"),
        (("--override", "inputs", "--by", "a"), "also needed: --why, --for"),
        (("--sign", "lock_out", "--override", "inputs"), "one at a time"),
        (("--by", "anna"), "say also what it is for"),
        (("--override", "guard.fill", "--by", "a", "--why", "b", "--for", "1h"), "by nobody"),
    ],
)
def test_what_is_typed_wrongly_says_what_would_be_right(site, linectl, typed, why):
    said = linectl("commission", site, *typed)
    assert said.code == 2
    assert why in " ".join(said.err.split())


def test_the_page_has_every_item_with_the_words_that_are_signed(site, linectl, tmp_path):
    linectl("commission", site, "--html", tmp_path / "list.html")
    page = (tmp_path / "list.html").read_text(encoding="utf-8")
    for item in json.loads(linectl("commission", site, "--json").out)["items"]:
        assert f"<b>{item['item']}</b>" in page
    assert "between and under the decks too" in page
    assert "may not start" in page


def test_a_person_at_a_terminal_reads_the_text_and_agrees(site):
    ours, theirs = pty.openpty()
    command = [sys.executable, "-m", "linectl.cli", "commission", str(site)]
    command += ["--sign", "watchdog.io_sower", "--measured", "850ms", "--by", "anna"]
    with subprocess.Popen(command, cwd=ROOT, stdin=theirs, stdout=theirs, stderr=theirs) as started:
        os.close(theirs)
        said = ""
        while "Go on?" not in said:
            assert select.select([ours], [], [], PATIENCE_S)[0], said
            said += os.read(ours, 4096).decode()
        assert "Never the device's own supply" in " ".join(said.split())
        assert "the zone allows 1s" in " ".join(said.split())
        assert "Sign only what you have seen yourself" in said
        os.write(ours, b"y\n")
        with contextlib.suppress(OSError):  # the end of a pseudo-terminal
            while data := os.read(ours, 4096):
                said += data.decode()
        assert started.wait(PATIENCE_S) == 0
    os.close(ours)
    assert "signed by anna" in said
    assert read_acts(site).rows[0].measured_ms == "850"


def test_a_screen_says_released_or_why_not_and_who_overrides_what():
    found = {"released": False, "overrides": ["overridden by ben: inputs until …"], "note": ""}
    status = {"commissioning": found, "release": {"production": "2 items open"}}
    assert release_word(status) == "NOT RELEASED"
    assert release_lines(status) == [
        "NOT RELEASED: production: 2 items open", "overridden by ben: inputs until …",
    ]  # fmt: skip
    assert release_lines(status | {"release": {}})[0] == "released"
    assert release_lines({"commissioning": None}) == []
    rehearsed = {"commissioning": found | {"note": "rehearsal on the plant model"}, "release": {}}
    assert release_lines(rehearsed)[0] == "rehearsal on the plant model"


@pytest.mark.parametrize(
    ("endpoints", "why"),
    [
        (None, "say also --at FILE"),
        ({"site": "small", "endpoints": []}, "no endpoints of a running plant model"),
        ({"control": 1, "endpoints": [{"host": "192.0.2.10", "path": None}]}, "no plant model's"),
        ({"control": 1, "endpoints": [{"host": None, "path": "/dev/ttyUSB0"}]}, "no plant model's"),
    ],
)
def test_nothing_is_rehearsed_on_a_machine(site, linectl, tmp_path, endpoints, why):
    """S44: production without commissioning is for a plant model on this computer alone."""
    at = tmp_path / "at.json"
    at.write_text(json.dumps(endpoints), encoding="utf-8")
    typed = () if endpoints is None else ("--at", at)
    said = linectl("run", site, "--rehearsal", *typed)
    assert said.code == 2
    assert why in said.err
    assert not (site / "ledger.sqlite3").exists()
