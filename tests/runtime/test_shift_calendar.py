"""When a shift begins and ends, on the days on which the clocks change too."""

from __future__ import annotations

import datetime as dt
import time
from itertools import pairwise
from types import SimpleNamespace

import pytest

from linectl.runtime.shift_calendar import last_finished, shift_of

HOUR = 3_600_000


@pytest.fixture(autouse=True)
def central_european_time(monkeypatch):
    """As a POSIX rule, so that no table of zones is needed: forward on the last Sunday of March
    at 2, back on the last of October at 3."""
    monkeypatch.setenv("TZ", "CET-1CEST,M3.5.0,M10.5.0/3")
    time.tzset()
    yield
    monkeypatch.undo()
    time.tzset()


def shift(start: str, hours: float):
    return SimpleNamespace(start=dt.time.fromisoformat(start), length_ms=round(hours * HOUR))


def utc(text: str) -> int:
    return round(dt.datetime.fromisoformat(text + "+00:00").timestamp() * 1000)


@pytest.mark.parametrize(
    ("day", "hours"), [("2026-03-29", 23), ("2026-10-25", 25), ("2026-06-01", 24)]
)
def test_a_shift_round_the_clock_lasts_as_long_as_its_day(day, hours):
    span = shift_of(shift("00:00", 24), dt.date.fromisoformat(day))
    assert span.length_ms == hours * HOUR


def test_shifts_round_the_clock_follow_each_other_without_gap_or_overlap_all_year():
    whole = shift("02:30", 24)  # a time that the clocks skip once and tell twice once
    spans = [shift_of(whole, dt.date(2026, 1, 1) + dt.timedelta(days=n)) for n in range(366)]
    assert all(one.to_ms == other.from_ms for one, other in pairwise(spans))


def test_a_night_shift_ends_by_the_clock_on_the_wall():
    span = shift_of(shift("22:00", 8), dt.date(2026, 3, 28))
    assert span == (utc("2026-03-28 21:00"), utc("2026-03-29 04:00"))  # 22:00 to 06:00: 7 hours
    assert shift_of(shift("22:00", 8), dt.date(2026, 10, 24)).length_ms == 9 * HOUR


def test_a_morning_shift_is_not_touched_by_the_change_in_the_night():
    assert shift_of(shift("06:00", 2), dt.date(2026, 3, 29)).length_ms == 2 * HOUR


def test_the_last_finished_shift_is_the_one_whose_end_has_come():
    early = shift("06:00", 2)
    second = shift_of(early, dt.date(2026, 5, 2))
    assert last_finished(early, second.to_ms) == second
    assert last_finished(early, second.to_ms - 1) == shift_of(early, dt.date(2026, 5, 1))
    night = shift("22:00", 8)
    assert last_finished(night, utc("2026-05-02 04:00")).to_ms == utc("2026-05-02 04:00")
