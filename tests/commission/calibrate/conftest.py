"""A line and its plant in virtual time, commanded as a running controller is, with a script."""

from __future__ import annotations

import datetime as dt
import shutil
from collections.abc import Mapping
from pathlib import Path

import pytest

from linectl.commission.answers import AnswersFile, Scripted
from linectl.commission.calibrate.work import Terms, Work
from linectl.commission.controller import Look, Standing
from linectl.image import Command
from linectl.runtime.rehearsal import Options
from linectl.runtime.virtual import Rehearsal
from linectl.site.load import load_site

CONFIG = Path(__file__).parents[3] / "config"
NOW = dt.datetime(2027, 3, 31, 6, 30, tzinfo=dt.UTC)
PAUSE_MS = 2000
KEPT = ("water.flow_pulses", "seed.seed_counter", "seed.vacuum")


class Points(Mapping):
    """The points as they are; what is read later of a run is kept as it was when looked at."""

    def __init__(self, benched) -> None:
        self._benched = benched
        self._kept = {tag: benched.plant.read(benched.tags[tag]) for tag in KEPT}

    def __getitem__(self, tag):
        if tag in self._kept:
            return self._kept[tag]
        point = self._benched.site.points[self._benched.tags[tag]]
        if point.direction == "out":
            return self._benched.line.outputs[point.index]
        value = self._benched.plant.read(point.index)
        return bool(value) is not point.invert if point.is_bool else value

    def __len__(self) -> int:
        return len(self._benched.site.points)

    def __iter__(self):
        return (point.tag for point in self._benched.site.points)


class Benched:
    """The controller's answers, and the plant's talk, of one line on the bench."""

    def __init__(self, site) -> None:
        self.site = site
        self.tags = site.tags
        self.spill_at = 0
        """The vessel, counted from 1, past which a part of the run falls."""
        self._vessels = 0
        self.rehearsal = Rehearsal(site, Options(scenario=(), lanes=0.0))
        self.bench, self.plant = self.rehearsal.bench, self.rehearsal.plant
        self.line = self.bench.line
        self._events = []
        inner = self.bench.recorder

        class Keeping:
            def record(_, moves, events):  # noqa: N805
                self._events += events
                inner.record(moves, events)

        self.bench.recorder = Keeping()
        self.pause_ms = PAUSE_MS
        self.commanded: list[str] = []
        self.deaf = ""
        """A command that this controller does not know."""
        self.run(1000)

    def run(self, ms: int) -> None:
        self.bench.run(self.bench.now + ms)

    def pause(self) -> None:
        self.run(self.pause_ms)

    def look(self, since: int) -> Look:
        digest, scan_ms = self.line.site.digest, self.site.file.scan_ms
        return Look(digest, self.bench.now, scan_ms, 0, False, Points(self), ())

    def standing(self) -> Standing:
        return Standing({}, {}, frozenset())

    def status(self):
        """What of the status a calibration reads; all of it would be most of the tests' time."""
        units = {unit.name: {"mode": unit.mode} for unit in self.line.units}
        return {"units": units, **self.line.by_hand.pulses.status()}

    def command(self, name, argument="", by="", unit=""):
        self.commanded.append(f"{unit} {name} {argument}".strip())
        if name == self.deaf:
            return f"{name} is no command"
        self._events.clear()
        self.bench.command(Command(unit, name, argument, by))
        self.run(self.site.file.scan_ms)
        (told,) = [event for event in self._events if event.kind == "command"]
        return None if told.data["accepted"] else str(told.data["why"])

    def ask(self, told):
        """As the plant's talk port answers."""
        if "weigh" in told:
            return {"weighed": self.plant.weigh(told["weigh"])}
        self.do(told["do"], told["part"], **told["options"])
        if told["do"] == "disable":
            self.run(200)  # seen let go
        if told["do"] == "put vessel":
            self._vessels += 1
            if self._vessels == self.spill_at:
                self.do("spill", told["part"])
        return {"ok": True}

    def spill_next(self, vessel: int) -> None:
        """A part of the run into that vessel, counted from now on from 1, falls beside it."""
        self._vessels, self.spill_at = 0, vessel

    def do(self, verb, part="", **options) -> None:
        self.bench.act(lambda: self.plant.do(verb, part, **options))


ALWAYS = [
    {"when": "all of it is so", "say": "yes"},
    {"when": "put into maintenance now", "say": "yes"},
    {"when": "lot (Enter: none)", "say": "P-7"},
    {"when": "valid until", "say": ""},
    {"when": "bulk density", "say": "none"},
    {"when": "rates in", "say": ""},
    {"when": "length of a run", "say": ""},
    {"when": "runs at each rate", "say": ""},
    {"when": "Enter when it", "say": ""},
    {"when": "Enter when the valve", "say": ""},
    {"when": "Enter when it is filled", "say": ""},
    {"when": "remark", "say": ""},
    {"when": "write it, yes or no", "say": "yes"},
    {"when": "tell the running controller", "say": "no"},
    {"when": "it must be repeated", "say": ""},
]
WEIGHED = {
    "fill": {"when": "what came", "weigh": "fill", "say": "{l}l"},
    "water": {"when": "what came", "weigh": "water", "say": "{kg}kg"},
    "seed": {"when": "seeds counted", "weigh": "seed", "say": "{seeds}"},
}


@pytest.fixture
def site_folder(tmp_path):
    """A copy of the small site, to be written to."""
    return shutil.copytree(CONFIG / "small", tmp_path / "small")


@pytest.fixture(scope="session")
def small_folder():
    return CONFIG / "small"


@pytest.fixture(scope="session")
def working():
    """Makes a work with a script in a person's place: first its own answers, then the usual."""

    def make(benched: Benched, *answers, site=None, **terms) -> Work:
        file = AnswersFile.model_validate({"answers": [*answers, *ALWAYS]}, strict=False)
        usual = {"by": "ann", "instrument": "scale no. 4", "now": lambda: NOW}
        usual |= {"pause": benched.pause}
        person = Scripted(file, benched)
        return Work(site or benched.site, benched, person, Terms(**usual | terms))

    return make


@pytest.fixture(scope="session")
def benched():
    """Makes a line on the bench from a folder; the small site as it ships is read once."""
    small = load_site(CONFIG / "small")

    def make(folder) -> Benched:
        shipped = folder.name == "small" and folder.parent.name != "config"
        site = small.model_copy(update={"folder": str(folder)}) if shipped else load_site(folder)
        return Benched(site)

    return make


@pytest.fixture(scope="session")
def weighed():
    """The answers that weigh what came, by station."""
    return WEIGHED
