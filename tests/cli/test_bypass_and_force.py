"""`bypass`, `force` and `why` as a person types them, on a controller that has a real line."""

from __future__ import annotations

import io
import sys
from functools import partial
from pathlib import Path

import pytest

from linectl.image import Command, Frame
from linectl.line import Line
from linectl.site.interlocks import Bypass
from linectl.site.load import load_site

pytestmark = pytest.mark.wire
SMALL = Path(__file__).parents[2] / "config/small"
BYPASS = ("bypass", "config/small", "water_supply")
TERMS = ("--for", "1h", "--reason", "pump is changed", "--by", "anna")
FORCE = ("force", "config/small", "fill.exit_eye", "1", *TERMS)


def _line():
    """A line of the small site, whose inputs are all good and read 1; one cause may be bypassed."""
    site = load_site(SMALL)
    cause = site.interlocks.causes["water_supply"]
    bypass = Bypass.model_validate({"limit": "2h"})
    causes = {**site.interlocks.causes, "water_supply": cause.model_copy(update={"bypass": bypass})}
    interlocks = site.interlocks.model_copy(update={"causes": causes})
    line = Line(site.model_copy(update={"interlocks": interlocks}))
    inputs = [p for p in site.points if p.direction == "in"]
    line.scan(
        Frame(
            values=[(p.index, not p.invert if p.is_bool else 100) for p in inputs],
            quality=[(p.index, True) for p in inputs],
        ),
        10,
    )
    return line


def _answer(line, request):
    """As the live controller answers."""
    if request["ask"] == "status":
        return {"site": "small", "pid": 1, "buses": [], **line.status(line.now)}
    if request["ask"] == "why":
        return {"name": request["name"], "lines": line.why(request["name"], line.now)}
    why = line.obey(Command("", request["name"], request["argument"], request["by"]))
    return {"accepted": why is None, "why": why}


@pytest.fixture
def controller(answering):
    answering.line = _line()
    answering.answer = partial(_answer, answering.line)
    return answering


class Terminal(io.StringIO):
    """Standard input with somebody at it."""

    def isatty(self):
        return True


def test_a_bypass_is_given_listed_with_its_exposure_and_ended(linectl, controller):
    said = linectl(*BYPASS, *TERMS, "--yes")
    assert (said.code, said.err) == (0, "")
    assert "accepted" in said.out
    listed = linectl("bypass", "config/small", "--list").out
    assert "water_supply   in force" in listed and "pump is changed" in listed
    assert linectl("bypass", "config/small", "--list", "--json").json["bypassed"] == 1
    ended = linectl(*BYPASS, "--end", "--by", "anna")
    assert ended.code == 0 and "Try it at its sensor" in ended.out.replace("\n", " ")
    assert "water_supply   has to come" in linectl("bypass", "config/small", "--list").out
    status = linectl("status", "config/small").out
    assert "bypassed 1, overridden 0" in status and "has to come" in status


def test_what_may_not_be_bypassed_is_refused_with_the_rule(linectl, controller):
    said = linectl("bypass", "config/small", "guard_seed", *TERMS, "--yes")
    assert said.code == 1 and "guard_seed.closed is a guard, which is never bypassed" in said.out
    said = linectl("bypass", "config/small", "water_suply", *TERMS, "--yes")
    assert said.code == 1 and "nearest valid name: water_supply" in said.out


@pytest.mark.parametrize("command", [BYPASS, FORCE[:4]])
def test_person_reason_and_time_are_asked_for(linectl, controller, command):
    said = linectl(*command, "--yes")
    assert said.code == 2 and "--for, --reason, --by" in said.err


@pytest.mark.parametrize("command", [(*BYPASS, *TERMS), FORCE])
def test_a_script_must_say_that_the_caution_was_read(linectl, controller, monkeypatch, command):
    monkeypatch.setattr(sys, "stdin", io.StringIO())
    said = linectl(*command)
    assert said.code == 2
    assert "CAUTION" in said.err and "--yes" in said.err and "SAFETY.md" in said.err
    status = controller.line.status(0)
    assert (status["bypassed"], status["forced"]) == (0, 0)


@pytest.mark.parametrize(("answer", "bypassed"), [("y\n", 1), ("n\n", 0), ("\n", 0)])
def test_at_a_terminal_a_person_is_cautioned_and_asked(
    linectl, controller, monkeypatch, answer, bypassed
):
    monkeypatch.setattr(sys, "stdin", Terminal(answer))
    said = linectl(*BYPASS, *TERMS)
    assert "CAUTION: a bypassed interlock does not act" in said.err
    assert controller.line.status(0)["bypassed"] == bypassed
    assert said.code == (0 if bypassed else 1)


def test_forces_are_given_listed_and_released_by_one_act(linectl, controller):
    assert linectl(*FORCE, "--yes").code == 0
    assert linectl("force", "config/small", "fill.entry_eye", "1", *TERMS, "--yes").code == 0
    listed = linectl("force", "config/small", "--list").out
    assert "fill.exit_eye" in listed and "anna" in listed
    said = linectl("force", "config/small", "--release-all", "--by", "anna", "--json")
    assert said.json == {"accepted": True, "why": None}
    assert linectl("force", "config/small", "--list", "--json").json["forced"] == 0


def test_an_output_is_forced_off_and_shown_beside_what_is_written(linectl, controller):
    said = linectl("force", "config/small", "fill.run", "1", *TERMS, "--yes")
    assert said.code == 1 and "forced for 5m at most" in said.out
    off = ("force", "config/small", "sowing.air", "0", "--for", "5m", "--why", "valve leaks")
    assert linectl(*off, "--by", "anna", "--yes").code == 0
    controller.line.scan(Frame(), controller.line.now + 10)
    (row,) = linectl("force", "config/small", "--list", "--json").json["force_list"]
    assert (row["name"], row["value"], row["true"], row["direction"]) == (
        "sowing.air", False, True, "out",
    )  # fmt: skip
    assert "forced to" in linectl("force", "config/small", "--list").out


def test_the_field_is_shown_beside_what_an_input_is_forced_to(linectl, controller):
    linectl("force", "config/small", "fill.entry_eye", "0", *TERMS, "--yes")
    (row,) = linectl("force", "config/small", "--list", "--json").json["force_list"]
    assert (row["value"], row["true"]) == (False, True)


def test_why_shows_terminal_both_addresses_and_what_is_forced_or_bypassed(linectl, controller):
    linectl(*FORCE, "--yes")
    linectl(*BYPASS, *TERMS, "--yes")
    line = controller.line
    line.scan(Frame(values=[(line.site_io["guard_seed.closed"], False)]), line.now + 10)
    said = linectl("why", "config/small", "fill.run").out
    point = line.site.points[line.site_io["guard_seed.closed"]]
    row = next(text for text in said.splitlines() if text.startswith("guard_seed.closed"))
    assert row.split()[1:3] == ["0", point.note]
    assert f"discrete {point.address} (reference 1{point.address + 1:04d})" in row
    assert "FORCED" in linectl("why", "config/small", "fill.exit_eye").out
    assert "BYPASSED" in linectl("why", "config/small", "water_supply").out
