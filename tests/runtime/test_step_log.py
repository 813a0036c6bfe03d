"""The controller's memory of states: a stretch at a time, and what stood before the oldest."""

from __future__ import annotations

from linectl.image import Event
from linectl.runtime import step_log
from linectl.runtime.step_log import REPLY_MAX, StepLog


def station(at: int, state: str) -> Event:
    return Event(at, "station", "tamp", state, {})


def test_what_is_no_state_and_no_alarm_is_not_kept() -> None:
    log = StepLog()
    log.take([Event(1, "note", "x", "", {}), station(2, "asked")])
    assert log.answer(-1, 5)["steps"] == [[2, "station", "tamp", "asked", {}]]


def test_long_answers_come_in_stretches_that_join() -> None:
    log = StepLog()
    log.take([station(n, "asked") for n in range(REPLY_MAX + 10)])
    first = log.answer(-1, 0)
    second = log.answer(first["number"], 0)
    assert first["more"] and not second["more"]
    assert [row[0] for row in first["steps"] + second["steps"]] == list(range(REPLY_MAX + 10))
    assert log.answer(second["number"], 0)["steps"] == []


def test_what_stood_before_the_oldest_is_told_first(monkeypatch) -> None:  # type: ignore[no-untyped-def]
    monkeypatch.setattr(step_log, "STEPS_MAX", 2)
    log = StepLog()
    log.take([Event(1, "alarm_on", "air", "", {}), Event(2, "alarm_on", "fill.low", "", {})])
    log.take([Event(3, "alarm_off", "fill.low", "", {}), station(4, "asked"), station(5, "empty")])
    told = [(row[1], row[2]) for row in log.answer(-1, 9)["steps"]]
    assert told == [("alarm_on", "air"), ("station", "tamp"), ("station", "tamp")]
    assert log.answer(1, 9)["lost"] and not log.answer(3, 9)["lost"]
