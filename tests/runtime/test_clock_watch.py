"""A wall clock that parts from the ledger's time is an alarm for people, and ends as one."""

from __future__ import annotations

import pytest

from linectl.ledger.clock import Last, Look, decide
from linectl.runtime.clock_watch import ClockWatch

MINUTE, HOUR, DAY = 60_000, 3_600_000, 86_400_000
T0 = 1_790_000_000_000


class Wall:
    """A wall clock that somebody sets; `now` is the controller's."""

    def __init__(self, started_ms, finding=None, ahead=0):
        self.now, self.ahead, self.started_ms = 0, ahead, started_ms
        self.watch = ClockWatch(started_ms, lambda: started_ms + self.now + self.ahead, finding)

    def after(self, ms):
        self.now += ms
        return self.watch.look(self.now)


def test_a_clock_that_is_right_is_never_mentioned():
    wall = Wall(T0)
    assert [wall.after(MINUTE) for _ in range(60)] == [[]] * 60
    assert wall.watch.status() == {"ahead_s": 0, "finding": None, "text": None}


@pytest.mark.parametrize("set_by", [2 * HOUR, -DAY])
def test_a_clock_that_is_set_while_the_line_runs_is_told_once_and_ends_when_it_is_put_right(set_by):
    wall = Wall(T0)
    wall.after(0)
    wall.ahead = set_by
    assert wall.after(MINUTE - 1) == []  # a look a minute is enough
    ((tag, remark),) = wall.after(1)
    assert tag == remark.tag == "clock"
    assert ("ahead of" if set_by > 0 else "behind") in remark.text
    assert wall.after(MINUTE) == []
    wall.ahead = 0
    assert wall.after(MINUTE) == [("clock", None)]
    assert wall.after(MINUTE) == []


def test_what_the_boot_began_with_is_told_at_once_and_in_other_words_when_network_time_comes():
    last = Last(T0, T0, MINUTE, "kernel a", T0 + HOUR)
    begun = decide(Look(T0 - DAY, MINUTE, "kernel b"), last)
    wall = Wall(begun.started_ms, begun.finding, T0 - DAY - begun.started_ms)
    ((_, remark),) = wall.after(0)
    assert remark.text == begun.finding.text
    assert wall.after(MINUTE) == []
    wall.ahead = 3 * HOUR  # it was off for three hours
    ((_, remark),) = wall.after(MINUTE)
    assert "is 3h ahead of the ledger's time" in remark.text
    assert "The ledger takes the clock's time again at the next start" in remark.text
    assert wall.watch.status() == {"ahead_s": 3 * 3600, "finding": "behind", "text": remark.text}
