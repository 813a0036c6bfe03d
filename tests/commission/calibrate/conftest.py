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
PAUSE_MS = 500


class Points(Mapping):
    """The points as they are now: a counter is frozen when it is looked at."""

    def __init__(self, benched) -> None:
        self._benched = benched
        site = benched.site
        counters = [point for point in site.points if point.tag.endswith(("_pulses", "_counter"))]
        self._kept = {point.tag: benched.plant.read(point.index) for point in counters}
        self._kept["seed.vacuum"] = benched.plant.read(site.index("seed.vacuum"))

    def __getitem__(self, tag):
        if tag in self._kept:
            return self._kept[tag]
        point = self._benched.site.points[self._benched.site.index(tag)]
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
        self.commanded: list[str] = []
        self.deaf = ""
        """A command that this controller does not know."""
        self.run(1000)

    def run(self, ms: int) -> None:
        self.bench.run(self.bench.now + ms)

    def pause(self) -> None:
        self.run(PAUSE_MS)

    def look(self, since: int) -> Look:
        digest, scan_ms = self.line.site.digest, self.site.file.scan_ms
        return Look(digest, self.bench.now, scan_ms, 0, False, Points(self), ())

    def standing(self) -> Standing:
        return Standing({}, {}, frozenset())

    def status(self):
        return self.line.status(self.bench.now)

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
        return {"ok": True}

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


@pytest.fixture
def working():
    """Makes a work with a script in a person's place: first its own answers, then the usual."""

    def make(benched: Benched, *answers, site=None, **terms) -> Work:
        file = AnswersFile.model_validate({"answers": [*answers, *ALWAYS]}, strict=False)
        usual = {"by": "ann", "instrument": "scale no. 4", "now": lambda: NOW}
        usual |= {"pause": benched.pause}
        person = Scripted(file, benched)
        return Work(site or benched.site, benched, person, Terms(**usual | terms))

    return make


@pytest.fixture
def benched():
    """Makes a line on the bench from a folder."""
    return lambda folder: Benched(load_site(folder))


@pytest.fixture
def weighed():
    """The answers that weigh what came, by station."""
    return WEIGHED
