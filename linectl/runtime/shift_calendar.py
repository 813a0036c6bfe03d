"""When a shift begins and ends: the site's calendar, in local time, on days of 23 or 25 hours too.

A shift is written by the clock on the wall: start and length give the time of day at which it
ends. So a shift across the change of the clocks lasts an hour less or more than its length says,
and shifts of 24 hours follow each other without a gap on every day of the year.
"""

from __future__ import annotations

import datetime as dt
from typing import NamedTuple

from linectl.site.model import Shift

DAY = dt.timedelta(days=1)


class Span(NamedTuple):
    """A stretch of time, Unix ms; from ≤ time < to."""

    from_ms: int
    to_ms: int

    @property
    def length_ms(self) -> int:
        return self.to_ms - self.from_ms


def shift_of(shift: Shift, day: dt.date) -> Span:
    """The shift that begins on that day.

    A time that the clocks skip is read as if they had not been put forward yet, one that comes
    twice as its first.
    """
    start = dt.datetime.combine(day, shift.start)
    return Span(unix_ms(start), unix_ms(start + dt.timedelta(milliseconds=shift.length_ms)))


def last_finished(shift: Shift, now_ms: int) -> Span:
    """The last shift whose end has come."""
    day = dt.datetime.fromtimestamp(now_ms / 1000).date() + DAY
    while (span := shift_of(shift, day)).to_ms > now_ms:
        day -= DAY
    return span


def unix_ms(time: dt.datetime) -> int:
    """Unix ms of a time; local unless it says its own offset."""
    return round(time.timestamp() * 1000)


def local(time_ms: int) -> dt.datetime:
    """A Unix time on the local clock, with its offset."""
    return dt.datetime.fromtimestamp(time_ms / 1000).astimezone()
