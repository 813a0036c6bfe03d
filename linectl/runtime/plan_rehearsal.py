"""A plan rehearsed in virtual time: one shift after the other, the nights leapt over."""

from __future__ import annotations

import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

from linectl.crop.pace import DAY_MS
from linectl.image import Event, Move
from linectl.runtime.bench import Recorder
from linectl.runtime.following import OVERTIME_MS, DayEnd, Following, Shiftwork
from linectl.runtime.rehearsal import Options
from linectl.runtime.shift_calendar import shift_of
from linectl.runtime.virtual import Outcome, Rehearsal
from linectl.site.model import Shift, Site
from linectl.site.plan_file import Day

HALL_MS = 600_000
"""After the last shift the hall finishes what was handed over to it."""

DayTold = Callable[[int, DayEnd], None]
"""Told after each shift: how many are done, and what came of it."""


@dataclass(frozen=True)
class Followed:
    """A rehearsed plan: the account of the run, and every shift's end."""

    outcome: Outcome
    ends: tuple[DayEnd, ...]


class _Watched:
    """A recorder that lets the crew see what it is given."""

    def __init__(self, recorder: Recorder, following: Following) -> None:
        self._recorder, self._following = recorder, following

    def record(self, moves: Sequence[Move], events: Sequence[Event]) -> None:
        self._following.take(moves, events)
        self._recorder.record(moves, events)


def shifts_of(shift: Shift, days: Sequence[Day]) -> list[Shiftwork]:
    """The plan's shifts in ms since the first one begins. Days have 24 hours here."""
    first = days[0].date
    works = []
    for day in days:
        begins_ms = (day.date - first).days * DAY_MS
        works.append(Shiftwork(day, begins_ms, begins_ms + shift.length_ms))
    return works


def rehearse_plan(
    site: Site, options: Options, days: Sequence[Day], on_day: DayTold | None = None
) -> Followed:
    """Rehearse the days of a plan from its first shift's start; `options.for_ms` says nothing.

    `days` must not be empty. Raises PlantMissing when no model is installed.
    """
    started = time.perf_counter()
    shift = site.file.shift
    works = shifts_of(shift, days)
    begins_ms = shift_of(shift, days[0].date).from_ms
    end_ms = works[-1].ends_ms + OVERTIME_MS + HALL_MS
    rehearsal = Rehearsal(site, replace(options, for_ms=end_ms, begins_ms=begins_ms))
    ends: list[DayEnd] = []

    def told(end: DayEnd) -> None:
        ends.append(end)
        if on_day is not None:
            on_day(len(ends), end)

    bench = rehearsal.bench
    following = Following(bench, works, told)
    bench.recorder = _Watched(bench.recorder, following)
    rehearsal.run(end_ms)
    return Followed(rehearsal.finish(time.perf_counter() - started), tuple(ends))
