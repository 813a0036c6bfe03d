"""`pulse` as a person types it, on a controller that has a real line and somebody at it."""

from __future__ import annotations

import io
import sys
from pathlib import Path

import pytest

from linectl.image import Command, Frame
from linectl.line import Line
from linectl.site.load import load_site

pytestmark = pytest.mark.wire
SMALL = load_site(Path(__file__).parents[2] / "config/small")
PULSE = ("pulse", "config/small", "fill.run", "--for", "500ms", "--by", "anna")
AT_REST = ("enabling", "horn_on", "beacon_on", "_eye", "running", "interlock_reset", "safety_reset")


class Hall:
    """The line, and a person who holds the enabling device when they are asked for it."""

    def __init__(self, holds: bool = True) -> None:
        self.line, self.holds = Line(SMALL), holds
        frame = Frame()
        for point in SMALL.points:
            if point.direction == "in":
                level = not point.tag.endswith(AT_REST)
                frame.values.append(
                    (point.index, level is not point.invert if point.is_bool else 100)
                )
                frame.quality.append((point.index, True))
        self.line.scan(frame, 10)
        for unit in ("sowing", "harvest"):
            self.line.obey(Command(unit, "mode", "maintenance"))

    def answer(self, request):
        line = self.line
        if request["ask"] == "command":
            why = line.obey(Command("", request["name"], request["argument"], request["by"]))
            return {"accepted": why is None, "why": why}
        sounds = bool(line.outputs[SMALL.index("sowing.horn")])
        told = [("sowing.horn_on", sounds), ("sowing.beacon_on", sounds)]
        told += [("sowing.enabling", self.holds)]
        line.scan(Frame(values=[(SMALL.index(tag), level) for tag, level in told]), line.now + 500)
        return {"site": "small", "pid": 1, "buses": [], **line.status(line.now)}


@pytest.fixture
def hall(answering, monkeypatch):
    hall = Hall()
    answering.answer = hall.answer
    monkeypatch.setattr("linectl.cli.pulse.LOOK_S", 0)
    return hall


class Terminal(io.StringIO):
    """Standard input with somebody at it."""

    def isatty(self):
        return True


def test_a_pulse_is_followed_to_its_end(linectl, hall):
    said = linectl(*PULSE, "--yes")
    assert (said.code, said.err) == (0, "")
    assert [line.split(":")[0] for line in said.out.splitlines()] == ["warned", "begun", "fill.run"]
    assert "fill.run: ended, by time; it was on 500ms" in said.out


def test_its_end_is_one_object(linectl, hall):
    told = linectl(*PULSE, "--with", "fill.speed=120", "--yes", "--json").json
    assert {key: told[key] for key in ("tag", "stage", "ended_by", "ran_ms", "others")} == {
        "tag": "fill.run", "stage": "ended", "ended_by": "time", "ran_ms": 500,
        "others": {"fill.speed": 120.0},
    }  # fmt: skip


def test_nobody_at_the_machine_is_exit_1(linectl, hall):
    hall.holds = False
    said = linectl(*PULSE, "--yes")
    assert said.code == 1 and "refused, by enabling" in said.out
    assert said.out.startswith("waits: hold the enabling device")


@pytest.mark.parametrize(("typed", "code"), [("fill.run\n", 0), ("fill.rum\n", 1), ("\n", 1)])
def test_at_a_terminal_the_tag_is_typed_after_the_caution(linectl, hall, monkeypatch, typed, code):
    monkeypatch.setattr(sys, "stdin", Terminal(typed))
    said = linectl(*PULSE)
    assert said.code == code
    told = " ".join(said.err.split())
    assert "CAUTION: a pulse moves the machine" in told and "belt drive run" in told
    assert (hall.line.by_hand.pulses.last is not None) is (code == 0)


def test_what_travels_its_whole_stroke_is_said(linectl, hall, monkeypatch):
    monkeypatch.setattr(sys, "stdin", Terminal("\n"))
    said = linectl("pulse", "config/small", "infeed.extend", "--for", "1s", "--by", "anna")
    assert "may travel its whole stroke" in " ".join(said.err.split())


def test_wrong_use_is_told_before_anything_is_asked(linectl, hall, monkeypatch):
    monkeypatch.setattr(sys, "stdin", io.StringIO())
    assert (
        "nearest valid name: fill.run"
        in linectl("pulse", "config/small", "fill.rum", "--for", "1s", "--by", "anna").err
    )
    assert "also needed: --by" in linectl(*PULSE[:-2]).err
    assert "say --yes" in linectl(*PULSE).err
    said = linectl(*PULSE[:4], "1h", *PULSE[5:], "--yes")
    assert said.code == 1 and "refused: 1h: a pulse of fill.run lasts 16s at most" in said.out
