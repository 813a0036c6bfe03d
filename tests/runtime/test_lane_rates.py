"""Which shifts a lane's rate is counted over, and which ones are to come."""

from __future__ import annotations

import datetime as dt
import time
from collections import Counter
from itertools import islice
from types import SimpleNamespace

import pytest

from linectl.ledger.lane_reading import LaneRecord
from linectl.runtime.lane_rates import Given, bounds_ms, given, shifts_to_come
from linectl.site.model import WEEKDAYS, Shift

HOUR = 3_600_000
EARLY = Shift(start=dt.time(6), length="2h", days=WEEKDAYS)
WORKDAYS = Shift(start=dt.time(6), length="2h", days=WEEKDAYS[:5])


@pytest.fixture(autouse=True)
def utc_on_the_wall(monkeypatch):
    monkeypatch.setenv("TZ", "UTC0")
    time.tzset()
    yield
    monkeypatch.undo()
    time.tzset()


def utc(text: str) -> int:
    return round(dt.datetime.fromisoformat(text + "+00:00").timestamp() * 1000)


def said(bounds: list[int]) -> list[str]:
    return [f"{dt.datetime.fromtimestamp(ms / 1000, dt.UTC):%d %H:%M}" for ms in bounds]


LONG_AGO = utc("2026-01-01 00:00")


def test_each_shift_is_counted_from_the_end_of_the_one_before():
    found = bounds_ms(EARLY, 3, utc("2026-06-10 09:00"), LONG_AGO)
    assert said(found) == ["07 08:00", "08 08:00", "09 08:00", "10 08:00"]


def test_a_shift_under_way_is_not_counted_yet():
    found = bounds_ms(EARLY, 2, utc("2026-06-10 07:59"), LONG_AGO)
    assert said(found) == ["07 08:00", "08 08:00", "09 08:00"]


def test_five_workdays_reach_back_over_a_weekend():
    """10 June 2026 is a Wednesday."""
    found = bounds_ms(WORKDAYS, 5, utc("2026-06-10 09:00"), LONG_AGO)
    assert said(found) == ["03 08:00", "04 08:00", "05 08:00", "08 08:00", "09 08:00", "10 08:00"]


@pytest.mark.parametrize(
    ("begins", "counted"),
    [("2026-06-09 05:50", ["09 05:50", "09 08:00", "10 08:00"]),
     ("2026-06-09 06:10", ["09 08:00", "10 08:00"]),
     ("2026-06-10 06:10", [])],
)  # fmt: skip
def test_a_shift_that_the_record_does_not_have_whole_is_left_out(begins, counted):
    assert said(bounds_ms(EARLY, 5, utc("2026-06-10 09:00"), utc(begins))) == counted


def site(shift: Shift):
    lanes = (SimpleNamespace(id=1), SimpleNamespace(id=2))
    return SimpleNamespace(file=SimpleNamespace(shift=shift, lanes=lanes))


def test_a_rate_is_gutters_a_day_on_the_mean_of_a_week():
    """By hand: 20, 22 and 18 in three shifts are 20 a shift; on five days a week 100 ÷ 7 a day."""
    counts = LaneRecord((), {}, (Counter({1: 20}), Counter({1: 22, 2: 1}), Counter({1: 18})))
    assert given(site(EARLY), counts, {}) == {1: Given(20, 3), 2: Given(pytest.approx(1 / 3), 3)}
    assert given(site(WORKDAYS), counts, {})[1].a_day == pytest.approx(100 / 7)


def test_a_rate_that_a_person_says_goes_before_the_records():
    counts = LaneRecord((), {}, (Counter({1: 20}),))
    assert given(site(EARLY), counts, {1: 14.5}) == {1: Given(14.5, 0), 2: Given(0, 1)}
    assert given(site(EARLY), LaneRecord((), {}, ()), {2: 3.0}) == {2: Given(3, 0)}


def test_the_shifts_to_come_begin_with_what_is_left_of_the_one_under_way():
    """Friday 12 June 2026, half of its shift over: half of it, then Monday's, three days later."""
    works = list(islice(shifts_to_come(WORKDAYS, utc("2026-06-12 07:00"), 10), 2))
    assert works[0] == (0, pytest.approx(1 / 24), 7)
    assert works[1] == (pytest.approx(3 - 1 / 24), pytest.approx(3 + 1 / 24), 14)


def test_a_week_of_shifts_takes_a_week_of_the_rate():
    week = list(islice(shifts_to_come(WORKDAYS, utc("2026-06-08 05:00"), 10), 5))
    assert sum(work.gutters for work in week) == pytest.approx(70)
    assert week[-1].ends < 7
