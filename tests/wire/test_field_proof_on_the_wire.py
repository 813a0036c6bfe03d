"""A field test against plant and controller as two processes; the plant's own person trips."""

from __future__ import annotations

import io
import json
import os
import select
import shutil
import subprocess
import sys
import time
from contextlib import contextmanager
from pathlib import Path

import pytest

from linectl.cli.field_proof import field_proof, list_field_tests
from linectl.commission.field_record import read_tests
from linectl.errors import NoController, UsageError
from linectl.runtime.control import ask
from linectl.site.load import load_site

pytestmark = pytest.mark.wire
ROOT = Path(__file__).parents[2]
PATIENCE_S = 30
OPENS_S = (13, 32, 51, 70)
"""A machine busy with other things is not ready at the first of them, and waits for the next."""
SCENARIO = "".join(
    f"- {{at: {at_s}s, do: open, guard: seed}}\n- {{at: {at_s + 2}s, do: close, guard: seed}}\n"
    for at_s in OPENS_S
)
YES = "yes\n"


@pytest.fixture
def site_folder(tmp_path, monkeypatch):
    runtime = tmp_path / "run"
    runtime.mkdir(mode=0o700)
    monkeypatch.setenv("XDG_RUNTIME_DIR", str(runtime))
    shutil.copytree(ROOT / "config/small", tmp_path / "small")
    (tmp_path / "guard.yaml").write_text(SCENARIO, encoding="utf-8")
    return tmp_path / "small"


@contextmanager
def process(*arguments):
    """`linectl` in a process of its own, once it has said its first line."""
    command = [sys.executable, "-m", "linectl.cli", *map(str, arguments)]
    with subprocess.Popen(command, cwd=ROOT, env={**os.environ}, stdout=subprocess.PIPE) as started:
        try:
            assert select.select([started.stdout], [], [], PATIENCE_S)[0], "it said nothing"
            yield json.loads(started.stdout.readline())
        finally:
            started.terminate()
            started.wait(PATIENCE_S)


FOLLOWING = {
    "Aborted": ("interlock-reset", "clear"), "Stopped": ("reset",), "Idle": ("start",),
}  # fmt: skip


def bring_to_work(folder: Path) -> None:
    """What a person commands until the sower works, whatever has stopped it meanwhile."""
    end_s = time.monotonic() + 2 * PATIENCE_S
    while (state := ask(folder, {"ask": "status"})["units"]["sowing"]["state"]) != "Execute":
        assert time.monotonic() < end_s, state
        for name in FOLLOWING.get(state, ()):
            unit = "" if name == "interlock-reset" else "sowing"
            ask(folder, {"ask": "command", "unit": unit, "name": name, "by": "anna"})
        time.sleep(0.1)


def test_a_guard_opened_in_the_plant_is_seen_timed_and_recorded(
    site_folder, tmp_path, monkeypatch, capsys
):
    site = load_site(site_folder)
    at = tmp_path / "plant.json"
    plant = ("plant", site_folder, "--json", "--file", at, "--scenario", tmp_path / "guard.yaml")
    run = (
        "run",
        site_folder,
        "--at",
        at,
        "--ledger",
        tmp_path / "line.sqlite3",
        "--json",
        "--rehearsal",
    )
    with process(*plant), process(*run):
        bring_to_work(site_folder)
        answers = "anna\nben\n" + 4 * YES + "\n" + YES + "hinge greased\n"
        monkeypatch.setattr("sys.stdin", io.StringIO(answers))
        assert field_proof(site_folder, site, causes=["guard_seed"])
    said = capsys.readouterr().out
    assert "seen: guard_seed.closed = 0" in said
    assert "sowing: Execute → Aborted" in said
    assert "1 passed, 0 failed, 0 left out" in said
    (test,), wrong = read_tests(site_folder)
    assert wrong == ()
    assert (test.result, test.seen, test.note) == ("pass", "", "hinge greased")
    assert (test.points, test.off_ms) == ("guard_seed.closed = 0", "0")
    assert test.outputs_off
    assert test.units.startswith("sowing Execute to Aborted")
    list_field_tests(load_site(site_folder))
    assert "guard_seed" in capsys.readouterr().out.splitlines()[-2]


def test_without_a_controller_nobody_is_asked_for_anything(site_folder, capsys):
    with pytest.raises(NoController):
        field_proof(site_folder, load_site(site_folder), causes=["guard_seed"])
    assert capsys.readouterr().out == ""


def test_an_interval_under_a_day_is_wrong_use(site_folder):
    with pytest.raises(UsageError, match="365d"):
        field_proof(site_folder, load_site(site_folder), every_ms=3_600_000)
