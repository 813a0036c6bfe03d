"""Rehearsals by name of site on the plant model; the command line as a person types it."""

from __future__ import annotations

import json
import os
import sys
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import Any

import pytest
from hypothesis import settings

from linectl.cli import main
from linectl.runtime.rehearsal import Options
from linectl.runtime.virtual import Outcome, Rehearsal
from linectl.site.durations import parse_duration
from linectl.site.load import load_site
from linectl.site.scenario import Action

# Property tests try the same examples at every run; the long form of the campaigns tries new ones.
settings.register_profile("repeatable", derandomize=True)
if os.environ.get("LINECTL_CAMPAIGN") != "full":
    settings.load_profile("repeatable")

ROOT = Path(__file__).parents[1]
CONFIG = ROOT / "config"
site_of = cache(lambda name: load_site(CONFIG / name))


class Shift:
    """A rehearsal that a test can act on and look into. Times as people write them."""

    def __init__(self, name: str, site=None, start: bool = True, **options) -> None:
        options.setdefault("scenario", ())
        self.rehearsal = Rehearsal(site or site_of(name), Options(**options))
        if start:
            self.rehearsal.start()
        self.line = self.rehearsal.line
        self.plant = self.rehearsal.plant
        self._outcome: Outcome | None = None

    def run(self, to: str) -> Shift:
        self.rehearsal.run(parse_duration(to))
        return self

    def command(self, unit: str, name: str, argument: str = "", by: str = "the tester") -> None:
        """Now; the next scan sees it."""
        self.rehearsal.command_at(self.rehearsal.bench.now, unit, name, argument, by)

    def do(self, verb: str, part: str = "", **options) -> None:
        self.rehearsal.bench.act(lambda: self.plant.do(verb, part, **options))

    @property
    def outcome(self) -> dict:
        if self._outcome is None:
            self._outcome = self.rehearsal.finish(1.0)
        return self._outcome.as_json()

    def state(self, unit: str) -> str:
        return next(u.state for u in self.line.units if u.name == unit)

    def alarms(self) -> set[str]:
        return set(self.line.alarms.standing)


@pytest.fixture(scope="session")
def shift():
    return Shift


@pytest.fixture(scope="session")
def stall():
    def make(start: str, end: str) -> tuple[Action, ...]:
        return (
            Action(parse_duration(start), "harvest stops"),
            Action(parse_duration(end), "harvest resumes"),
        )

    return make


class Attendant:
    """A person who puts things right: every `every_ms` looks round and does one round of acts.

    Deterministic, and at fixed times, so that leaping and ticking runs see the same acts.
    """

    def __init__(self, shift: Shift, every_ms: int = 10_000, first_ms: int = 20_000) -> None:
        self._shift = shift
        self._every_ms = every_ms
        self.acts: list[str] = []
        shift.rehearsal.bench.at(first_ms, self._round)

    def _round(self) -> None:
        bench = self._shift.rehearsal.bench
        self._look()
        bench.at(bench.now + self._every_ms, self._round)

    def _act(self, unit: str, name: str, argument: str = "") -> None:
        self.acts.append(f"{unit} {name} {argument}".strip())
        self._shift.command(unit, name, argument, "the attendant")

    def _look(self) -> None:
        line, plant = self._shift.line, self._shift.plant
        site = line.site
        for zone in site.file.zones:
            if not plant.read(site.index(f"{zone}.estop_ok")):
                plant.do("release estop", zone)
                plant.do("safety reset", zone)
        for part in line.stations.values():
            if part.state == "partial":
                choice = "finish"
                if part.name == "tamp":  # they look at the bed
                    if plant.machine.tamper.press.position() > 0:
                        continue
                    bodies = plant.machine.tamper.stage.bodies
                    choice = "finish" if bodies and bodies[0].tamped else "redo"
                self._act("", "partial", f"{part.name} {choice}")
            elif part.state == "faulted":
                self._mend(part)
        there = set(plant.places().values())
        for lane in line.lanes.lanes:
            transfer = lane.back in ("fetching", "loading", "carrying", "unloading", "crossing")
            if lane.state == "faulted" and transfer and lane.slots[lane.which][-1] not in there:
                self._act("", "removed", lane.name)
            elif (
                lane.state == "faulted"
                and lane.fault == "cut"
                and lane.back in ("fetching", "loading", "unloading", "carrying")
            ):
                joint = lane.joints[lane.which]
                roles = ("low_clear", "high_clear")
                if not all(plant.read(site.index(f"{joint}.{role}")) for role in roles):
                    plant.do("take out", joint)
                    self._act("", "removed", lane.name)
        latched = [
            row for n, row in enumerate(line.causes.rows) if row.latched and line.causes.active[n]
        ]
        if latched:
            self._act("", "interlock-reset")
        for lane in line.lanes.lanes:
            if lane.state == "faulted":
                self._act("", "lane-resume", str(lane.id))
        for zone in sorted({row.zone for row in latched if row.reset == "at_machine"}):
            plant.do("interlock reset", zone)  # somebody goes there and looks
        following = {"Aborted": "clear", "Stopped": "reset", "Idle": "start", "Held": "unhold"}
        for unit in line.units:
            if unit.state in following:
                self._act(unit.name, following[unit.state])

    def _take_off(self, part) -> None:
        """Take the gutter of a part off where it lies, and say so."""
        plant = self._shift.plant
        for place, gutter in plant.places().items():
            if gutter == part.gutter:
                plant.do("take out", place)
        self._act("", "removed", part.name)

    def _mend(self, part) -> None:
        """What unhold alone does not put right: a second gutter, a fallen one, a lost word."""
        plant = self._shift.plant
        nowhere = part.gutter and part.gutter not in plant.places().values()
        if part.fault == "double":  # not fed yet, so the plant has no id for either of them
            plant.do("take out", part.name)
        elif nowhere and part.fault not in ("handover", "no_feed", "dropped"):
            self._act("", "removed", part.name)  # taken out before, or fallen
        elif part.fault == "dropped":
            self._act("", "removed", part.name)
        elif part.fault == "centred":
            plant.do("take out", part.name)
            self._act("", "removed", part.name)
        elif part.fault == "stray" and getattr(part, "upstream", None) is not None:
            if part.upstream.gutter and part.upstream.state in ("done", "faulted"):
                self._take_off(part.upstream)
        elif part.fault == "no_entry" and plant.places()[part.name] == part.gutter:
            self._take_off(part)  # it came in past a blind eye
        elif (
            part.fault == "no_exit"
            and part.blind
            and not plant.machine.world.points.truth[part.exit]
        ):
            self._take_off(part)  # it lies short of the eye or beyond it
        elif part.fault == "early" and plant.machine.world.points.truth[part.entry]:
            self._take_off(part)
        elif part.fault == "no_feed" and plant.places()["magazine"] is None:
            self._act("", "removed", part.name)
        elif part.fault == "handover" and plant.places()[part.name] is None:
            self._act("", "handed-over")


@pytest.fixture(scope="session")
def attendant():
    return Attendant


def balance(outcome: dict) -> None:
    """The equations of COMMANDS, from bodies; the ledger's counts beside them.

    A move that has just happened and is not yet confirmed is intended in the ledger, not done.
    """
    bodies, ledger = outcome["gutters"], outcome["ledger"]
    left = bodies["in_lanes_at_start"] + bodies["indexed"]
    assert left == bodies["ejected"] + bodies["in_lanes"] + bodies["removed_from_lanes"]
    after_seeding = bodies["in_sower_seeded"] + bodies["removed_seeded"]
    assert bodies["seeded"] == bodies["indexed"] + after_seeding
    for key in ("in_lanes_at_start", "rejected", "removed"):
        assert ledger[key] == bodies[key], key
    inserting = bodies["indexed"] - ledger["indexed"]
    ejecting = bodies["ejected"] - ledger["ejected"]
    assert 0 <= inserting <= outcome["unconfirmed"].get("insert", 0)
    assert 0 <= ejecting <= outcome["unconfirmed"].get("eject", 0)
    assert ledger["in_lanes"] + inserting - ejecting == bodies["in_lanes"]


@pytest.fixture(scope="session")
def check_balance():
    return balance


@dataclass(frozen=True)
class Said:
    """What a command answered."""

    code: int
    out: str
    err: str

    @property
    def json(self) -> dict[str, Any]:
        """The one object on standard output; anything beside it fails."""
        (line,) = self.out.splitlines()
        return json.loads(line)


@pytest.fixture
def linectl(monkeypatch, capsys):
    """Runs one command in this process, from the repository's root."""
    monkeypatch.chdir(ROOT)

    def run(*arguments):
        monkeypatch.setattr(sys, "argv", ["linectl", *map(str, arguments)])
        with pytest.raises(SystemExit) as ended:
            main()
        said = capsys.readouterr()
        return Said(int(ended.value.code or 0), said.out, said.err)

    return run
