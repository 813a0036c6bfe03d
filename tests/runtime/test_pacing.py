"""The beat: absolute deadlines, no drift, missed beats counted and not replayed."""

from __future__ import annotations

import pytest

from linectl.runtime.pacing import Pacer, controller_clock


class Time:
    """A clock that only sleeping and working move."""

    def __init__(self) -> None:
        self.now_s = 100.0
        self.wakes_late_s = 0.0

    def clock(self) -> float:
        return self.now_s

    def sleep(self, seconds: float) -> None:
        self.now_s += seconds + self.wakes_late_s


def test_the_work_of_a_scan_does_not_move_the_beat() -> None:
    time = Time()
    pacer = Pacer(10, time.clock, time.sleep)
    for _ in range(1000):
        time.now_s += 0.004
        pacer.wait()
    assert time.now_s == pytest.approx(110.0)
    assert pacer.missed == 0


def test_waking_late_does_not_add_up() -> None:
    time = Time()
    time.wakes_late_s = 0.0003
    pacer = Pacer(10, time.clock, time.sleep)
    for _ in range(1000):
        pacer.wait()
    assert time.now_s == pytest.approx(110.0003)
    assert pacer.latest_ms == pytest.approx(0.3)


def test_missed_beats_are_counted_and_skipped() -> None:
    time = Time()
    pacer = Pacer(10, time.clock, time.sleep)
    time.now_s += 0.047
    pacer.wait()
    assert pacer.missed == 3
    assert time.now_s == pytest.approx(100.047)
    pacer.wait()
    assert time.now_s == pytest.approx(100.050)
    pacer.wait()
    assert time.now_s == pytest.approx(100.060)
    assert pacer.missed == 3


def test_the_controllers_clock_begins_at_nought() -> None:
    clock = controller_clock()
    first = clock()
    assert first in range(1000)
    assert clock() >= first
