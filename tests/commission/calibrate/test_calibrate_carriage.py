"""Places of a carriage taught on the plant model in virtual time, whose encoder is off.

SAFETY.md S43.
"""

from __future__ import annotations

import datetime as dt
import shutil
from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from linectl.commission.answers import AnswersFile, Rule, Scripted
from linectl.commission.calibrate import carriage
from linectl.commission.calibrate.record import read_calibrations
from linectl.commission.calibrate.work import Outcome, Terms, Work
from linectl.commission.changes_record import read_changes
from linectl.commission.controller import Look, Standing
from linectl.errors import UsageError
from linectl.image import Command
from linectl.runtime.rehearsal import Options
from linectl.runtime.virtual import Rehearsal
from linectl.site.load import load_site

CONFIG = Path(__file__).parents[3] / "config"
NOW = dt.datetime(2026, 4, 1, 5, 10, tzinfo=dt.UTC)
LOOK_MS = 300
SEED = 7
"""Of what the plant hides: one at which every place reads above zero."""


class OnBench:
    """The controller of a line on the bench: each pause lets some time pass."""

    def __init__(self, shift: Rehearsal) -> None:
        self._shift = shift
        self.pulses: list[str] = []

    def look(self, since: int) -> Look:
        site, line, inputs = self._shift.site, self._shift.line, self._shift.line.inputs
        points = {
            p.tag: (line.outputs[p.index] if p.direction == "out" else self._read(inputs, p))
            for p in site.points
        }
        return Look(site.digest, self._shift.bench.now, site.file.scan_ms, 0, False, points, ())

    @staticmethod
    def _read(inputs: Any, point: Any) -> bool | float | None:
        if not inputs.good[point.index]:
            return None
        return inputs.on[point.index] if point.is_bool else inputs.value[point.index]

    def standing(self) -> Standing:
        raise NotImplementedError

    def status(self) -> Mapping[str, Any]:
        return self._shift.line.status(self._shift.bench.now)

    def command(self, name: str, argument: str = "", by: str = "", unit: str = "") -> str | None:
        if name == "pulse":
            self.pulses.append(argument)
        why = self._shift.line.obey(Command(unit, name, argument, by))
        self.pause()
        return why

    def pause(self) -> None:
        self._shift.run(self._shift.bench.now + LOOK_MS)


class InThePlant:
    """What a script's person does, done on the plant model."""

    def __init__(self, shift: Rehearsal) -> None:
        self._shift = shift

    def ask(self, told: dict[str, Any]) -> dict[str, Any]:
        plant = self._shift.plant
        do = lambda: plant.do(told["do"], told["part"], **told["options"])  # noqa: E731
        self._shift.bench.act(do)
        self._shift.run(self._shift.bench.now + LOOK_MS)
        return {}


class Machine:
    """A line in a folder of its own, on a plant whose encoder is what it is."""

    def __init__(self, folder: Path, offset_mm: int = 0, *, hidden: int | None = None) -> None:
        self.folder = folder
        self.site = load_site(folder)
        self.shift = Rehearsal(self.site, Options(lanes=0.0))
        self.part = self.shift.plant.machine.carriages["infeed"]  # type: ignore[attr-defined]
        if hidden is None:
            self.part.encoder = type(self.part.encoder)(offset_mm)
        else:
            self.shift.plant.do("hidden factors", seed=hidden)
        self.shift.bench.act(self.part.show_position)
        self.shift.run(1_000)
        self.controller = OnBench(self.shift)
        self.person: Scripted | None = None

    def truth(self, place_mm: int) -> float:
        """What its encoder tells in front of a place: the plant's own word."""
        hidden = self.shift.plant.hidden()
        assert hidden is not None
        one, home = hidden["encoders"]["infeed"], self.part.facts.home_mm
        return float(home + one["offset_mm"] + (place_mm - home) * one["scale"])

    def work(self, *said: Rule) -> Work:
        usual = (
            Rule(when="which carriage", say="infeed"),
            Rule(when="moved by", say="pulses"),
            Rule(when="all of it is so", say="yes"),
            Rule(when="maintenance now", say="yes"),
            Rule(when="places", say=""),
        )
        file = AnswersFile(answers=(*said, *usual))
        self.person = Scripted(file, InThePlant(self.shift))
        terms = Terms("Ina Roth", lambda: NOW, self.controller.pause, "encoder")
        return Work(self.site, self.controller, self.person, terms)


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    return Path(shutil.copytree(CONFIG / "small", tmp_path / "small"))


def by_place(outcome: Outcome) -> dict[str, dict[str, Any]]:
    assert outcome.told is not None
    return {one["place"]: one for one in outcome.told["places"]}


YES = Rule(when="write it", say="yes")


def test_places_are_taught_within_the_flags_resolution_and_written(folder: Path) -> None:
    machine = Machine(folder, hidden=SEED)
    assert abs(machine.truth(1_500) - 1_500) > 20  # there is something to find
    before = (folder / "site.yaml").read_text(encoding="utf-8")
    outcome = carriage.calibrate(machine.work(YES))
    assert outcome.result == "written"
    for name, at_mm in (("home", 1_500), ("lane 1", 0), ("lane 2", 3_000)):
        one = by_place(outcome)[name]
        assert one["found_mm"] == at_mm
        # Two passes a side, stops 2 mm apart, the encoder in whole mm: an edge to 1 mm.
        assert abs(one["taught_mm"] - machine.truth(at_mm)) <= 1.5
        assert abs(one["left_mm"]) <= 1 and one["spread_mm"] <= 2
    home, lane1, lane2 = (by_place(outcome)[n]["taught_mm"] for n in ("home", "lane 1", "lane 2"))
    after = (folder / "site.yaml").read_text(encoding="utf-8")
    assert after == before.replace("home_mm: 1500", f"home_mm: {home}", 1).replace(
        "infeed_mm: 0\n", f"infeed_mm: {lane1}\n"
    ).replace("infeed_mm: 3000\n", f"infeed_mm: {lane2}\n")
    (row,), _ = read_calibrations(folder)
    assert (row.what, row.result, row.by) == ("carriage", "written", "Ina Roth")
    assert 1 <= float(row.uncertainty.removesuffix(" mm")) <= 3
    changes, _ = read_changes(folder)
    whats = {one.what: (one.kind, one.new) for one in changes}
    assert whats["lanes.2.infeed_mm"] == ("calibrate", str(lane2)) and len(whats) == 3
    assert not machine.shift.plant.report()["violations"]


def test_undo_is_one_step_and_gives_the_file_back_to_the_letter(folder: Path) -> None:
    before = (folder / "site.yaml").read_bytes()
    machine = Machine(folder, offset_mm=20)
    carriage.calibrate(machine.work(YES, Rule(when="places", say="home")))
    assert (folder / "site.yaml").read_bytes() != before
    again = Machine(folder, offset_mm=20)
    assert carriage.undo(again.work(Rule(when="put it back", say="yes"))).result == "undone"
    assert (folder / "site.yaml").read_bytes() == before
    with pytest.raises(UsageError, match="Nothing is taken back"):
        carriage.undo(again.work())


def test_a_place_beyond_the_declared_bound_is_refused_and_nothing_is_written(folder: Path) -> None:
    path = folder / "site.yaml"
    text = path.read_text(encoding="utf-8")
    path.write_text(text.replace("home_mm: 1500", "home_mm: 1500\n    teach_mm: 30"))
    before = path.read_bytes()
    outcome = carriage.calibrate(Machine(folder, offset_mm=50).work())
    assert outcome.result == "refused" and "more than 30 mm" in outcome.why
    far = carriage.calibrate(Machine(folder, offset_mm=140).work())
    assert far.result == "refused" and "no flag is seen within 30 mm" in far.why
    assert path.read_bytes() == before
    rows, _ = read_calibrations(folder)
    assert [row.result for row in rows] == ["refused", "refused"]


def test_a_place_below_zero_cannot_be_written(folder: Path) -> None:
    outcome = carriage.calibrate(Machine(folder, -40).work(Rule(when="places", say="1")))
    assert outcome.result == "refused" and "reads below 0" in outcome.why


def test_a_slack_that_eats_the_tolerance_is_refused(folder: Path) -> None:
    machine = Machine(folder, 10)
    part = machine.part
    slack = 20
    way = [0]

    class Slack(type(part.encoder)):  # type: ignore[misc]
        """The wheel turns before the carriage follows: it tells more going up."""

        def told(self, true_mm: float, home_mm: float) -> float:
            return true_mm + way[0] * slack / 2

        def true(self, told_mm: float, home_mm: float) -> float:
            return told_mm

    travel = part.travel.go

    def go(aim_mm: float) -> None:
        ahead = aim_mm - part.encoder.told(part.travel.state()[0], 0)
        way[0] = (ahead > 0) - (ahead < 0) or way[0]
        travel(aim_mm - way[0] * slack / 2)

    part.travel.go = go
    part.encoder = Slack(0, 1.0)
    outcome = carriage.calibrate(machine.work(Rule(when="places", say="home")))
    assert outcome.result == "refused" and "not found well enough" in outcome.why
    assert abs(by_place(outcome)["home"]["hysteresis_mm"] - slack) <= 4


def test_nothing_is_pulsed_before_the_cautions_were_answered(folder: Path) -> None:
    machine = Machine(folder, 10)
    from linectl.commission.person import Ended

    with pytest.raises(Ended):
        carriage.calibrate(machine.work(Rule(when="all of it is so", say="no")))
    assert machine.controller.pulses == []


def test_without_the_enabling_device_nothing_moves_and_the_round_says_so(folder: Path) -> None:
    machine = Machine(folder, 10)
    work = machine.work(Rule(when="places", say="home"), Rule(when="once more", say=("", "no")))
    answers = machine.person._file.answers  # type: ignore[union-attr]
    nobody = Scripted(AnswersFile(answers=answers, acts={"sowing": ()}), InThePlant(machine.shift))
    outcome = carriage.calibrate(replace(work, person=nobody))
    assert outcome.result == "refused" and "enabling" in outcome.why
    assert machine.part.travel.state()[0] == 1_500


def test_a_pulse_that_was_broken_off_is_made_once_more(folder: Path) -> None:
    machine = Machine(folder, offset_mm=20)
    command, broken = machine.controller.command, []

    def let_go_once(name: str, argument: str = "", by: str = "", unit: str = "") -> str | None:
        why = command(name, argument, by, unit)
        if name == "pulse" and len(machine.controller.pulses) == 5 and not broken:
            for verb in ("disable", "enable"):
                machine.shift.bench.act(lambda verb=verb: machine.shift.plant.do(verb, "sowing"))
                machine.controller.pause()
            broken.append(why)
        return why

    machine.controller.command = let_go_once  # type: ignore[method-assign]
    asked = Rule(when="once more", say="")
    outcome = carriage.calibrate(machine.work(asked, YES, Rule(when="places", say="home")))
    assert outcome.result == "written" and broken == [None]
    assert machine.person is not None
    assert any("ended by enabling" in line for line in machine.person.said)
    assert by_place(outcome)["home"]["taught_mm"] == 1_520


def test_jogged_by_a_person_the_encoder_is_read_where_they_stop(folder: Path) -> None:
    machine = Machine(folder, offset_mm=25)
    stands = {"home": 1_503.0}  # three beside the middle: still in the flag's window

    def jog(*_: object) -> None:
        machine.shift.bench.act(lambda: machine.part.travel.place(stands["home"]))
        machine.shift.bench.act(machine.part.show_position)
        machine.shift.run(machine.shift.bench.now + 500)

    work = machine.work(
        Rule(when="moved by", say="jog"), Rule(when="places", say="home"), YES,
        Rule(when="Enter when it stands", say=""),
    )  # fmt: skip
    assert machine.person is not None
    act = machine.person.act
    machine.person.act = lambda one: (act(one), jog())[0]  # type: ignore[method-assign]
    outcome = carriage.calibrate(work)
    one = by_place(outcome)["home"]
    assert outcome.result == "written" and one["taught_mm"] == 1_528
    assert machine.controller.pulses == []
