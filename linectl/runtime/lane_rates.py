"""What each lane gave a day lately: ejects of the last shifts, from the ledger or as a person says.

A shift counts with the hours after it, up to the end of the next one, so that what was taken out
late in the day is not lost. A line that works five days a week gives five sevenths of a shift's
gutters on a mean day, and a crop grows on all seven.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterator, Mapping
from typing import NamedTuple

from linectl.crop.lateness import Work
from linectl.crop.pace import DAY_MS
from linectl.ledger.lane_reading import LaneRecord
from linectl.runtime.shift_calendar import DAY, shift_of
from linectl.site.model import WEEKDAYS, Shift, Site

SHIFTS = 5
"""Shifts that a rate is taken from: a week's work, so that one odd day does not tell it."""

HORIZON_DAYS = 3_660


class Given(NamedTuple):
    """Gutters a day that a lane gives, on the mean of all days of a week.

    shifts: how many it was counted over; 0: a person said it.
    """

    a_day: float
    shifts: int


def bounds_ms(shift: Shift, number: int, at_ms: int, first_ms: int) -> list[int]:
    """Between which times the last `number` finished shifts before `at_ms` are counted, Unix ms.

    Each from the end of the one before, or from where the record begins (`first_ms`). A shift that
    it does not have whole is left out; empty if none is left.
    """
    day = dt.datetime.fromtimestamp(at_ms / 1000).date() + DAY
    ends: list[int] = []
    while True:
        span = shift_of(shift, day)
        if shift.works_on(day) and span.to_ms <= at_ms:
            if span.from_ms < first_ms or len(ends) == number:
                return [max(span.to_ms, first_ms), *ends] if ends else []
            ends.insert(0, span.to_ms)
        day -= DAY


def shifts_to_come(shift: Shift, at_ms: int, a_day: float) -> Iterator[Work]:
    """The shifts from `at_ms` (Unix ms) on, what is left of one under way first, for a rate.

    Ten years of them: what has not come out by then never does.
    """
    a_shift = a_day * len(WEEKDAYS) / len(shift.days)
    first = dt.datetime.fromtimestamp(at_ms / 1000).date() - DAY
    for number in range(HORIZON_DAYS):
        day = first + number * DAY
        span = shift_of(shift, day)
        if shift.works_on(day) and span.to_ms > at_ms:
            begins_ms = max(span.from_ms, at_ms)
            left = (span.to_ms - begins_ms) / span.length_ms
            yield Work((begins_ms - at_ms) / DAY_MS, (span.to_ms - at_ms) / DAY_MS, a_shift * left)


def daily_shifts(shift: Shift, a_day: float) -> Iterator[Work]:
    """A shift a day from a shift's start on, as `standing` supposes them."""
    length = shift.length_ms / DAY_MS
    return (Work(float(day), day + length, a_day) for day in range(HORIZON_DAYS))


def given(
    site: Site, counts: LaneRecord | None, said: Mapping[int, float]
) -> dict[int, Given]:  # fmt: skip
    """By lane; a lane of which nothing is known is left out. said: a day, and it goes before."""
    found = {lane: Given(a_day, 0) for lane, a_day in said.items()}
    shifts = len(counts.ejected) if counts is not None else 0
    if counts is None or not shifts:
        return found
    week = len(site.file.shift.days) / len(WEEKDAYS)
    for lane in site.file.lanes:
        whole = sum(each[lane.id] for each in counts.ejected)
        found.setdefault(lane.id, Given(whole / shifts * week, shifts))
    return found
