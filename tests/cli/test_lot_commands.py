"""`lot` and `weigh` as a person types them, on a controller that has a real line."""

from __future__ import annotations

from pathlib import Path

import pytest

from linectl.image import Command, Event, Move
from linectl.ledger import Ledger
from linectl.line import Line
from linectl.site.load import load_site

pytestmark = pytest.mark.wire
SMALL = Path(__file__).parents[2] / "config/small"


@pytest.fixture
def controller(answering):
    line = Line(load_site(SMALL))

    def answer(request):
        if request["ask"] == "status":
            return {
                "site": "small",
                "pid": 1,
                "buses": [],
                "approval": "-",
                **line.status(line.now),
            }
        why = line.obey(Command("", request["name"], request["argument"], request["by"]))
        return {"accepted": why is None, "why": why}

    answering.answer, answering.line = answer, line
    return answering


@pytest.mark.parametrize(
    ("typed", "said"),
    [(("substrate", "PEAT-7"), "substrate PEAT-7"),
     (("seed", "GO-1", "--crop", "green_oakleaf"), "seed green_oakleaf GO-1"),
     (("packing", "P-1"), "packing P-1")],
)  # fmt: skip
def test_a_lot_is_named_and_status_shows_it(linectl, controller, typed, said):
    done = linectl("lot", "config/small", *typed, "--by", "anna")
    assert (done.code, controller.asked[-1]["argument"]) == (0, said)
    assert "from now on" in " ".join(done.out.split())
    shown = " ".join(linectl("status", "config/small").out.split())
    assert f"{typed[1]} (anna, 0s ago)" in shown
    assert "not named" in shown


@pytest.mark.parametrize(
    ("typed", "why"),
    [(("peet", "X", "--by", "anna"), "no kind of lot"),
     (("seed", "X", "--by", "anna"), "add --crop"),
     (("packing", "X", "--crop", "rocket", "--by", "anna"), "leave --crop out"),
     (("packing", "X"), "also needed: --by")],
)  # fmt: skip
def test_a_lot_typed_wrongly_is_wrong_use_and_nothing_is_asked(linectl, controller, typed, why):
    done = linectl("lot", "config/small", *typed)
    assert done.code == 2
    assert why in " ".join(done.err.split())
    assert controller.asked == []


def test_what_the_controller_refuses_is_exit_1_with_its_reason(linectl, controller):
    done = linectl("lot", "config/small", "packing", "two words", "--by", "anna")
    assert done.code == 1
    assert "lot packing LOT" in " ".join(done.out.split())
    assert linectl("weigh", "config/small", "P-1", "12stone", "--by", "ben").code == 1


def test_a_weighing_and_its_taking_back_are_told(linectl, controller):
    assert linectl("weigh", "config/small", "P-1", "27lb", "--by", "ben").code == 0
    assert linectl("weigh", "config/small", "--by", "ben", "--", "P-1", "-27lb").code == 0
    told = [event.data["kg"] for event in controller.line.take_events() if event.kind == "weight"]
    assert told == [pytest.approx(12.24699399), pytest.approx(-12.24699399)]


def test_a_weighing_of_a_lot_that_got_no_gutter_is_kept_with_a_remark(
    linectl, controller, tmp_path
):
    path = tmp_path / "line.sqlite3"
    site = load_site(SMALL)
    book = Ledger.open(str(path), site)
    moves = [Move(1, "handover", 1, "turnout", "packing", "rocket", done, 5) for done in (0, 1)]
    named = {"kind": "packing", "lot": "P-1201", "crop": "", "by": "anna"}
    book.record(moves, [Event(1, "lot", "packing", "", named)])
    book.close()
    weighed = ("weigh", "config/small", "--by", "ben", "--ledger", path)
    right = linectl(*weighed, "P-1201", "2kg")
    assert (right.code, right.err) == (0, "")
    wrong = linectl(*weighed, "P-1210", "2kg")
    assert wrong.code == 0
    assert "no gutter was handed over to packing lot P-1210" in wrong.err
    assert "P-1201" in wrong.err
    assert [request["argument"] for request in controller.asked] == ["P-1201 2kg", "P-1210 2kg"]
