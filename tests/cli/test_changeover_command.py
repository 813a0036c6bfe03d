"""`changeover` as a person types it, on a controller that has a real line."""

from __future__ import annotations

from pathlib import Path

import pytest

from linectl.image import ChangeoverLeft, Command, Inside, Start
from linectl.line import Line
from linectl.site.load import load_site

pytestmark = pytest.mark.wire
SMALL = Path(__file__).parents[2] / "config/small"
FIRST = ChangeoverLeft("first", "rocket", "R-1", "anna", 7, 88.0)
AT_SEED = [Inside(7, "seed", "rocket", -9_000, 9_000, -9_000, done=("seed",))]


@pytest.fixture(scope="module")
def site():
    return load_site(SMALL)


@pytest.fixture
def controller(answering, site):
    def begin(start: Start):
        line = Line(site, start)
        for name in ("sowing", "harvest", "lanes"):
            line.inputs.on[line.site_io[f"{name}.remote_selected"]] = 1

        def answer(request):
            if request["ask"] == "status":
                told = {"site": "small", "pid": 1, "buses": [], "approval": "-"}
                return {**told, **line.status(line.now)}
            asked = (request["unit"], request["name"], request["argument"], request["by"])
            why = line.obey(Command(*asked))
            return {"accepted": why is None, "why": why}

        answering.answer = answer
        return line

    return begin


def changeover(linectl, *typed: str):
    done = linectl("changeover", "config/small", *typed)
    return done.code, " ".join(done.out.split()), " ".join(done.err.split())


def test_it_is_announced_with_the_caution_for_the_drum_and_shown_by_status(linectl, controller):
    line = controller(Start())
    code, out, err = changeover(linectl, "rocket", "R-1", "--by", "anna")
    assert (code, line.changeover.stage) == (0, "running_out")
    assert "accepted" in out and "rocket, lot R-1" in out
    assert "not lock-out" in err and "Local codes" in err
    assert "rocket, lot R-1" in " ".join(linectl("status", "config/small").out.split())
    assert changeover(linectl, "--cancel", "--by", "anna")[0] == 0
    assert changeover(linectl)[1] == "no changeover stands"


def test_the_first_gutter_is_judged_and_the_answer_is_one_object(linectl, controller):
    controller(Start(crop="rocket", inside=AT_SEED, changeover=FIRST))
    code, out, err = changeover(linectl)
    assert code == 0 and "first gutter 7" in out and "88 seeds counted" in out
    assert "outside the guards" in err
    shown = linectl("changeover", "config/small", "--json").json["changeover"]
    assert (shown["stage"], shown["gutter"], shown["seeds"]) == ("first", 7, 88)
    refused = linectl("changeover", "config/small", "--first", "bad", "--by", "ben")
    assert refused.code == 1 and "what is wrong" in refused.out
    typed = ("--first", "bad", "--note", "bald left half", "--by", "ben", "--json")
    told = linectl("changeover", "config/small", *typed).json
    assert told["accepted"] and told["changeover"]["stage"] == "confirmed"


@pytest.mark.parametrize(
    ("typed", "why"),
    [(("rocket", "R-1"), "also needed: --by"), (("rocket", "--by", "anna"), "seed lot too"),
     (("rocket", "R-1", "--cancel", "--by", "anna"), "one at a time"),
     (("--note", "thin", "--by", "anna"), "one at a time")],
)  # fmt: skip
def test_what_is_typed_wrongly_is_wrong_use_and_nothing_is_told(linectl, controller, typed, why):
    line = controller(Start())
    code, _, err = changeover(linectl, *typed)
    assert code == 2 and why in err
    assert line.take_events() == []
