"""A technician alone checks out the reference line over real Modbus, with eight mistakes in it.

Plant, controller and tool are processes of their own; the tool is interrupted twice. The plant
tells which actuators truly came on: none without a confirmation of its own.
"""

from __future__ import annotations

import os
import shutil
import signal
import subprocess
import sys
import threading
import time
from collections import Counter
from collections.abc import Callable
from itertools import pairwise
from pathlib import Path

import pytest
from processes import object_of, process

from linectl.cli.checkout_sheet import sheet_now
from linectl.commission.checkout.record import checkout_standing, read_tries
from linectl.runtime.plant_talk import PlantTalk
from linectl.site.load import load_site

pytestmark = pytest.mark.wire
ROOT = Path(__file__).parents[2]
MISTAKES = ROOT / "sim/scenarios/checkout/eight_mistakes.yaml"
PATIENCE_S = 120
NAMED = {
    "fill.entry_eye": "fill.exit_eye moved instead: the wires of the two are swapped",
    "fill.exit_eye": "fill.entry_eye moved instead: the wires of the two are swapped",
    "tamp.press_up": "inverted contact",
    "lane2.lift.on_board": "dead point",
    "water.flow_pulses": "wrong word order: it reads right with word_order big",
    "fill.hopper_level": "its scale is off by 10",
    "sowing.horn": "sowing.beacon moved instead: the outputs are swapped",
    "sowing.beacon": "sowing.horn moved instead: the outputs are swapped",
    "water.valve": "dead or stuck: nothing moved",
    "fill.run": "it turns backwards",
}
RIGHT = ("sowing.estop_ok", "sowing.enabling")
PULSE_MS = 3_000
"""A belt's, in a checkout."""
TECHNICIAN = ROOT / "sim/answers/technician.yaml"
Ends = Callable[[str], "signal.Signals | None"]


class Evenings:
    """Plant and controller of a copy of the reference line, and a technician's evenings there."""

    def __init__(self, folder: Path, plant: Path, talk: PlantTalk) -> None:
        self.folder, self._plant, self.talk = folder, plant, talk
        self.said: list[str] = []
        """What the tool has said on the present evening."""

    def evening(self, *tags: str, ends: Ends = lambda line: None) -> int:
        """One call of the tool for those points; its exit code. `ends(line)` may give a signal."""
        self.said = []
        command = [
            sys.executable, "-m", "linectl.cli", "checkout", str(self.folder), "--wait", "1s",
            "--answers", str(TECHNICIAN), "--plant", str(self._plant),
            *(word for tag in tags for word in ("--only", tag)),
        ]  # fmt: skip
        with subprocess.Popen(
            command, cwd=ROOT, env={**os.environ, "PYTHONUNBUFFERED": "1"}, text=True,
            stdout=subprocess.PIPE, stderr=subprocess.STDOUT,
        ) as tool:  # fmt: skip
            watchdog = threading.Timer(PATIENCE_S, tool.kill)
            watchdog.start()
            for line in tool.stdout:
                self.said.append(line.rstrip("\n"))
                if (how := ends(line)) is not None:
                    tool.send_signal(how)
            watchdog.cancel()
        return tool.returncode

    def switched(self) -> list[tuple[int, str, bool]]:
        """Actuators of the plant that came on or went off since this was asked last. Air stands on
        in maintenance, as the controller puts it: that is nobody's pulse."""
        told = self.talk.ask({"switched": "witness"})["switched"]
        return [(at_ms, tag, on) for at_ms, tag, on in told if not tag.endswith(".air")]

    def switched_until_off(self, tag: str) -> list[tuple[int, str, bool]]:
        """The same, once that actuator has gone off."""
        told, end_s = self.switched(), time.monotonic() + PATIENCE_S
        while told[-1][1:] != (tag, False):
            assert time.monotonic() < end_s, f"{tag} does not go off"
            time.sleep(0.05)
            told += self.switched()
        return told

    def put_right(self, *tags: str) -> None:
        for tag in tags:
            self._do("put wires right", tag)

    def let_go(self, zone: str) -> None:
        """The technician lets the enabling device go, which the tool did not live to ask."""
        self._do("disable", zone)

    def _do(self, verb: str, part: str) -> None:
        assert self.talk.ask({"do": verb, "part": part}) == {"ok": True}

    def tries(self) -> list:
        return list(read_tries(self.folder)[0])


@pytest.fixture
def evenings(tmp_path, monkeypatch):
    runtime = tmp_path / "run"
    runtime.mkdir(mode=0o700)
    monkeypatch.setenv("XDG_RUNTIME_DIR", str(runtime))
    folder = shutil.copytree(ROOT / "config/fennmark", tmp_path / "fennmark")
    facts = (folder / "site.yaml").read_text(encoding="utf-8")
    warning = "  start_warning: 3s\n"
    assert warning in facts
    shorter = facts.replace(warning, f"{warning}  pulse: 500ms\n")
    (folder / "site.yaml").write_text(shorter, encoding="utf-8")
    file = tmp_path / "plant.json"
    options = ("--json", "--file", file, "--scenario", MISTAKES)
    with process("plant", folder, *options, runtime=runtime) as plant:
        talk = PlantTalk(int(object_of(plant)["control"]))
        with process("run", folder, "--at", file, "--json", runtime=runtime) as controller:
            object_of(controller)
            try:  # nobody reads on: a pipe that is full does not hold the scan
                yield Evenings(folder, file, talk)
            finally:
                controller.terminate()
                controller.wait(PATIENCE_S)
                talk.close()
                plant.terminate()
                plant.wait(PATIENCE_S)


class KilledWhileOn:
    """SIGKILL for the tool while an output is on."""

    def __init__(self, tag: str) -> None:
        self._tag, self._now = tag, False

    def __call__(self, line: str) -> signal.Signals | None:
        if "for ONE pulse" in line:
            self._now = line.rstrip().endswith(f": {self._tag}")
        return signal.SIGKILL if self._now and "ON NOW" in line else None


def confirmed(said: list[str]) -> list[str]:
    """The outputs that were typed, each for one pulse that was not refused, in order."""
    typed: list[str] = []
    for before, line in pairwise(["", *said]):
        _, asks, rest = line.partition("for ONE pulse")
        if asks and (tag := rest.rpartition(": ")[2]):
            typed.append(tag)
        elif "Enter tries again, i resets" in line and "never on" not in before:
            typed.pop()  # it was refused: not even the warning came
    return typed


def may_come_on(tags: list[str], crossed: dict[str, str]) -> list[str]:
    """What may come on for these confirmations, in order: the warning, then the one output."""
    found: list[str] = []
    for tag in tags:
        warns = tag in ("sowing.horn", "sowing.beacon")
        found += [crossed.get(tag, tag)] if warns else ["sowing.horn", "sowing.beacon", tag]
    return found


def explained(switched: list[tuple[int, str, bool]], allowed: list[str]) -> bool:
    """Whether what came on is what may, in that order, each once at most."""
    left = iter(allowed)
    return all(tag in left for _, tag, on in switched if on)


def test_every_mistake_is_found_named_and_moved_nothing_unconfirmed(evenings) -> None:
    asked = (*RIGHT, *NAMED)
    evenings.switched()

    # Ctrl-C after the first inputs
    code = evenings.evening(*asked, ends=lambda line: (
        signal.SIGINT if "tamp.press_up: fail" in line else None
    ))  # fmt: skip
    assert code not in (0, 1), evenings.said[-5:]
    moved, typed = evenings.switched(), confirmed(evenings.said)
    crossed = {"sowing.horn": "sowing.beacon", "sowing.beacon": "sowing.horn"}
    assert sorted(typed) == sorted(crossed)
    assert [tag for _, tag, on in moved if on] == may_come_on(typed, crossed)
    assert not explained(moved, may_come_on(typed, {}))  # the witness can tell
    first = evenings.tries()
    assert [one.tag for one in first[:2]] == list(RIGHT)
    assert first[-1].tag == "tamp.press_up"
    evenings.put_right("fill.entry_eye", "tamp.press_up", "sowing.horn")

    # killed while a belt turns: the pulse ends by itself
    code = evenings.evening(*asked, ends=KilledWhileOn("fill.run"))
    assert code == -signal.SIGKILL, evenings.said[-5:]
    moved, typed = evenings.switched_until_off("fill.run"), confirmed(evenings.said)
    evenings.let_go("sowing")
    assert "water.valve" in typed and typed[-1] == "fill.run"
    assert explained(moved, may_come_on(typed, {}))
    (on_ms, off_ms) = (at_ms for at_ms, tag, _ in moved if tag == "fill.run")
    assert off_ms - on_ms <= PULSE_MS + 500
    assert "fill.run" not in {one.tag for one in evenings.tries()}
    evenings.put_right("water.flow_pulses")

    # to the end
    code = evenings.evening("water.flow_pulses", "fill.run", "lane2.lift.on_board")
    assert code == 1, evenings.said[-5:]
    moved, typed = evenings.switched(), confirmed(evenings.said)
    assert set(typed) == {"fill.run"}
    assert explained(moved, may_come_on(typed, {}))

    tries = evenings.tries()
    found = {one.tag: one.found for one in tries if one.result == "fail"}
    assert found.keys() == NAMED.keys()
    for tag, words in NAMED.items():
        assert words in found[tag], tag
    # what has passed is not tried again, what was put right is tried twice
    again = ("sowing.horn", "sowing.beacon", "fill.entry_eye", "fill.exit_eye", "tamp.press_up")
    counts = Counter(one.tag for one in tries)
    assert {tag for tag, count in counts.items() if count == 2} == {*again, "water.flow_pulses"}
    standing_is_right(evenings.folder, retested={*again, "water.flow_pulses"})
    report = evenings.talk.ask({"report": True})["report"]
    assert report["violations"] == []


def standing_is_right(folder: Path, retested: set[str]) -> None:
    """The sheet and the record say what was done, what failed, and what stands open."""
    standing = checkout_standing(load_site(folder))
    failed = NAMED.keys() - retested
    passed = {*RIGHT, *retested, "sowing.horn_on", "sowing.beacon_on"}
    assert {one.point.tag for one in standing.of("passed")} == passed
    assert {one.point.tag for one in standing.of("failed")} == failed
    told = standing.as_json()
    assert told["open"] == told["points"] - len(passed) - len(failed) and told["reopened"] == 0
    sheet = sheet_now(folder)
    assert (sheet.whole.passed, sheet.whole.retested) == (len(passed), len(retested))
    assert {one.tag: one.closed is not None for one in sheet.punch_list} == {
        tag: tag in retested for tag in NAMED
    }
    assert len({one.number for one in sheet.punch_list}) == len(NAMED)
