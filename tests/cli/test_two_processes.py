"""Plant and controller as two processes, over real TCP and pseudo-terminals."""

from __future__ import annotations

import json
import re
import signal
import threading

import pytest
from processes import PATIENCE_S, object_of, process

pytestmark = pytest.mark.wire


@pytest.fixture
def runtime(tmp_path):
    folder = tmp_path / "run"
    folder.mkdir(mode=0o700)
    return folder


def ask(runtime, *arguments):
    with process(*arguments, runtime=runtime) as asked:
        out, err = asked.communicate(timeout=PATIENCE_S)
    return asked.returncode, out, err


def test_a_plant_is_controlled_asked_commanded_and_stopped(runtime, tmp_path):
    at, ledger = tmp_path / "plant.json", tmp_path / "line.sqlite3"
    with process("plant", "config/small", "--json", "--file", at, runtime=runtime) as plant:
        endpoints = object_of(plant)
        assert endpoints["site"] == "small"
        assert {row["kind"] for row in endpoints["endpoints"]} == {"tcp", "rtu"}
        arguments = ("run", "config/small", "--at", at, "--ledger", ledger, "--json")
        with process(*arguments, runtime=runtime) as run:
            status = object_of(run)
            assert {u: s["state"] for u, s in status["units"].items()} == {
                "sowing": "Stopped",
                "harvest": "Stopped",
            }
            reset = ("command", "config/small", "sowing", "reset")
            code, out, err = ask(runtime, *reset)
            if code:  # a busy machine kept a device silent for a moment, which latches
                assert re.search("tripped|silent|air|Aborted", out), out
                assert ask(runtime, "command", "config/small", "line", "interlock-reset")[0] == 0
                if "Aborted" in out:
                    assert ask(runtime, "command", "config/small", "sowing", "clear")[0] == 0
                code, out, err = ask(runtime, *reset)
            assert (code, out.strip(), err) == (0, "sowing reset: accepted", "")
            code, _, err = ask(runtime, "why", "config/small", "fill.exit_ey")
            assert code == 2
            assert "nearest valid name: fill.exit_eye" in err
            code, out, err = ask(runtime, "status", "config/small", "--json")
            assert (code, json.loads(out)["units"]["sowing"]["state"], err) == (0, "Idle", "")
            code, out, err = ask(runtime, "run", "config/small", "--at", at, "--ledger", ledger)
            assert (code, out) == (3, "")
            assert f"running already (process {run.pid})" in err
            run.send_signal(signal.SIGINT)
            assert run.wait(PATIENCE_S) == 130
        plant.send_signal(signal.SIGTERM)
        assert plant.wait(PATIENCE_S) == 0
    code, _, err = ask(runtime, "status", "config/small")
    assert code == 3
    assert "linectl run config/small" in err


def lines_until(started, wanted):
    """What the process prints, line by line, up to the one that holds `wanted`."""
    lines = []
    impatient = threading.Timer(PATIENCE_S, started.kill)
    impatient.start()
    try:
        while not lines or wanted not in lines[-1]:
            lines.append(started.stdout.readline())
            assert lines[-1], f"it ended; said {lines}, {started.stderr.read()}"
    finally:
        impatient.cancel()
    return lines


def test_a_person_at_the_terminal_reads_the_status_once_and_then_a_line_for_each_change(
    runtime, tmp_path
):
    at, ledger = tmp_path / "plant.json", tmp_path / "line.sqlite3"
    with process("plant", "config/small", "--file", at, runtime=runtime) as plant:
        said = lines_until(plant, "linectl run ")
        assert said[-1].strip() == f"linectl run config/small --at {at} --rehearsal"
        with process("run", "config/small", "--at", at, "--ledger", ledger, runtime=runtime) as run:
            said = lines_until(run, "alarms ")
            assert any("controlled by process" in line for line in said)
            assert any(line.startswith("NOT RELEASED: production: ") for line in said)
            plant.kill()
            changes = lines_until(run, "bus io up → DOWN")
            assert re.fullmatch(r"\d\d:\d\d:\d\d bus io up → DOWN\n", changes[-1])
            assert not any("controlled by process" in line for line in changes)
            run.send_signal(signal.SIGTERM)
            assert run.wait(PATIENCE_S) == 0


def test_a_rehearsal_over_the_wire_gives_the_same_account(runtime, tmp_path):
    events = tmp_path / "events.jsonl"
    arguments = ("rehearse", "config/small", "--wire", "--for", "8s", "--json", "--events", events)
    code, out, err = ask(runtime, *arguments)
    assert (code, err) == (0, "")
    shift = json.loads(out)
    assert shift["violations"] == []
    assert 8 <= shift["simulated_s"] < 20
    assert 0.4 < shift["times_real"] <= 1
    assert shift["gutters"]["in_lanes_at_start"] == 24
    assert shift["ledger"]["in_lanes"] == shift["gutters"]["in_lanes"]
    states = [row["state"] for row in shift["states"] if row["unit"] == "harvest"]
    assert states[:3] == ["Resetting", "Idle", "Starting"]
    assert all(isinstance(json.loads(line), dict) for line in events.read_text().splitlines())
