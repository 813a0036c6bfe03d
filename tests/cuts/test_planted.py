"""What the cuts are for is found: each way of coming back wrongly shows, and by its own sign."""

from __future__ import annotations

from types import MethodType

import pytest
from cutting import seen
from cutting.campaign import play
from cutting.life import Course

from linectl.image import Start
from linectl.line import Line
from linectl.line.recovery.questions import Question
from linectl.line.recovery.recovery import Recovery


def forgets_the_sower(monkeypatch):
    def line_from(site, ledger):
        known = ledger.start()
        return Line(site, Start(slots=known.slots, next_gutter=known.next_gutter,
                                next_move=known.next_move))  # fmt: skip

    monkeypatch.setattr(seen, "line_from", line_from)


def takes_all_for_done(monkeypatch):
    monkeypatch.setattr(Recovery, "not_done", Recovery.done)


def takes_nothing_for_done(monkeypatch):
    monkeypatch.setattr(Recovery, "done", Recovery.not_done)


def asks_needlessly(monkeypatch):
    judge = Recovery._judge

    def ask_too(self):
        judge(self)
        question = Question("tamp.idle", "tamp", "is it so?", (("yes", "so"),), "", "tamp", 1)
        self.questions[question.id] = question

    monkeypatch.setattr(Recovery, "_judge", ask_too)


def starts_by_itself(monkeypatch):
    judge = Recovery._judge

    def run_too(self):
        judge(self)
        fill = self.line.stations["fill"]
        demand = self.line.demand
        self.line.demand = MethodType(lambda line: demand() | fill.run, self.line)

    monkeypatch.setattr(Recovery, "_judge", run_too)


def uses_a_number_again(monkeypatch):
    def line_from(site, ledger):
        known = ledger.start()
        return Line(site, Start(**{**known.__dict__, "next_move": known.next_move - 3}))

    monkeypatch.setattr(seen, "line_from", line_from)


@pytest.mark.parametrize(
    ("plant", "signs"),
    [
        (forgets_the_sower, ("gutter", "a gutter without a name")),
        (takes_all_for_done, ("ledger_differs", "gutter")),
        (takes_nothing_for_done, ("gutter", "ledger_differs", "not at work", "asked what")),
        (asks_needlessly, ("asked what sensors decide: tamp.idle",)),
        (starts_by_itself, ("moved before a person's start: fill",)),
        (uses_a_number_again, ("ledger", "done_without_intent", "Traceback")),
    ],
)
def test_a_line_that_comes_back_wrongly_is_found_out(
    small, disk, person, monkeypatch, plant, signs
):
    plant(monkeypatch)
    monkeypatch.setattr("cutting.campaign.FAILURES_MAX", 1)
    _, failures = play(Course("small", small, work_ms=60_000), disk, person, 1)
    assert failures
    wrong = failures[0].split("\n    ")[1:]
    assert any(text.startswith(sign) for text in wrong for sign in signs), wrong
