"""Ledger time: it never goes back, and it is exact for as long as the kernel runs.

Within a boot of the controller it is the start plus the controller's own milliseconds. From one
boot to the next in the same run of the kernel, CLOCK_BOOTTIME tells what has passed
(clock_gettime(2): it counts suspended time too, and nobody can set it). Only after a real power
cut, seen by another boot id (random(4): drawn anew at each start of the kernel), the wall clock
must be believed, and then in bounds: never before the record's last row, and not more than
OFF_MAX_MS after it unless a person says so. Until then ages stand as if no time had passed while
the controller was off: a ripe gutter kept for a day can still be taken, an unripe one taken cannot
be put back.

All times are Unix ms, so a change to or from summer time is none here.
"""

from __future__ import annotations

import datetime as dt
import time
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import NamedTuple

from linectl.site.durations import format_duration

SLACK_MS = 60_000
"""A wall clock that stands no further before the record is slow, not wrong: nothing is said."""
OFF_MAX_MS = 7 * 86_400_000
"""A controller is asked about when it was off for longer (common practice, no source)."""
NEVER_SET_MS = 1_704_067_200_000
"""2024-01-01 UTC. A computer whose wall clock stands before it has never been told the time."""
BOOT_ID = Path("/proc/sys/kernel/random/boot_id")

_UPTIME: int = getattr(time, "CLOCK_BOOTTIME", time.CLOCK_MONOTONIC)

RIGHT, WRONG = "right", "wrong"
"""A person's answers to "ahead": it was off for so long, or the wall clock is wrong."""


@dataclass(frozen=True)
class Clock:
    """What tells a ledger the time.

    wall: Unix ms, can be set by anybody. uptime: ms since the kernel started, nobody sets it.
    machine: that start's name; empty if nobody knows, then each boot counts as after a power cut.
    never_set_ms: a new ledger is not begun while the wall clock stands before it.
    """

    wall: Callable[[], int]
    uptime: Callable[[], int] = lambda: 0
    machine: str = ""
    never_set_ms: int = 0

    def look(self) -> Look:
        return Look(self.wall(), self.uptime(), self.machine)


class Look(NamedTuple):
    """One look at a clock."""

    wall_ms: int
    uptime_ms: int
    machine: str = ""


class Last(NamedTuple):
    """The boot before, and the latest ledger time in the record (`recorded_ms`).

    doubt: the finding it began with, if it began with one. answer: what a person said to it.
    """

    started_ms: int
    wall_ms: int
    uptime_ms: int
    machine: str
    recorded_ms: int
    doubt: str = ""
    answer: str = ""

    @property
    def wall_then_ms(self) -> int:
        """The wall clock at the latest row, if nobody has set it since that boot began."""
        return self.wall_ms + self.recorded_ms - self.started_ms


class ClockFinding(NamedTuple):
    """What is wrong with the wall clock at a boot's start, for people.

    kind: behind (it stands before the record), ahead (it says that the controller was off for
    very long), said_wrong (ahead, and a person has said that it is wrong). seconds: how far.
    asks: True if a person has to answer RIGHT or WRONG.
    """

    kind: str
    seconds: int
    text: str
    asks: bool


class Begun(NamedTuple):
    """When a boot begins in ledger time, and what people should know of the wall clock."""

    started_ms: int
    finding: ClockFinding | None


def system_clock() -> Clock:
    """This computer's clocks."""
    try:
        machine = BOOT_ID.read_text(encoding="ascii").strip()
    except OSError:
        machine = ""
    return Clock(wall_ms, uptime_ms, machine, NEVER_SET_MS)


def wall_ms() -> int:
    """The wall clock, Unix milliseconds."""
    return time.time_ns() // 1_000_000


def uptime_ms() -> int:
    """Milliseconds since the kernel started, suspended time included (on Linux)."""
    return uptime_ns() // 1_000_000


def uptime_ns() -> int:
    """The same in nanoseconds."""
    return time.clock_gettime_ns(_UPTIME)


def decide(now: Look, last: Last | None) -> Begun:
    """When the boot that begins `now` begins in ledger time; later than every row of the record."""
    if last is None:
        return Begun(now.wall_ms, None)
    earliest_ms = last.recorded_ms + 1
    if _same_run(now, last):
        passed_ms = now.uptime_ms - last.uptime_ms
        earliest_ms = max(earliest_ms, last.started_ms + passed_ms)
        if not last.doubt:
            return Begun(earliest_ms, None)
    ahead_ms = now.wall_ms - earliest_ms
    if ahead_ms < -SLACK_MS:
        return Begun(earliest_ms, _behind(now, -ahead_ms))
    if ahead_ms > OFF_MAX_MS and not (last.answer == RIGHT and _went_on(now, last)):
        said_wrong = last.answer == WRONG and _went_on(now, last)
        return Begun(earliest_ms, _ahead(now, last, ahead_ms, said_wrong))
    return Begun(max(earliest_ms, now.wall_ms), None)


def _same_run(now: Look, last: Last) -> bool:
    """True if the kernel has run since: its own clock tells what has passed. One that stands
    earlier (a computer set back to an older state of itself) tells nothing."""
    known = bool(now.machine) and now.machine == last.machine
    return known and now.uptime_ms >= last.uptime_ms


def _went_on(now: Look, last: Last) -> bool:
    """True if the wall clock is still the one that a person's answer was about."""
    return -SLACK_MS <= now.wall_ms - last.wall_then_ms <= OFF_MAX_MS


def _behind(now: Look, by_ms: int) -> ClockFinding:
    return ClockFinding(
        "behind",
        by_ms // 1000,
        f"the wall clock says {told(now.wall_ms)}, which is {_long(by_ms)} before the last row of"
        " the ledger. Ages of gutters count on from that row, without the time the controller was"
        " off. Set the clock (network time, or by hand) and start the controller again; if the"
        " clock is right, the record ran ahead of it, and this ends when the clock has caught up.",
        False,
    )


def _ahead(now: Look, last: Last, by_ms: int, said_wrong: bool) -> ClockFinding:
    since = f"the last row of the ledger is of {told(last.recorded_ms)}, the wall clock says"
    stand = "Ages of gutters stand as if no time had passed"
    if said_wrong:
        text = (
            f"{since} {told(now.wall_ms)}, and a person has said that it is wrong. {stand}. Set"
            " the clock (network time, or by hand) and start the controller again."
        )
        return ClockFinding("said_wrong", by_ms // 1000, text, False)
    text = (
        f"the wall clock says that the controller was off for {_long(by_ms)}: is that right?"
        f" ({since} {told(now.wall_ms)}.) {stand} until a person answers: {RIGHT} (it was off for"
        f" so long; ages count it from the next start of the controller on) or {WRONG} (set the"
        " clock, then start the controller again)."
    )
    return ClockFinding("ahead", by_ms // 1000, text, True)


def differs(ledger_ms: int, wall_clock_ms: int) -> str | None:
    """A remark when the wall clock and ledger time are more than SLACK_MS apart, else None."""
    apart_ms = wall_clock_ms - ledger_ms
    if abs(apart_ms) <= SLACK_MS:
        return None
    way = "ahead of" if apart_ms > 0 else "behind"
    return (
        f"the wall clock ({told(wall_clock_ms)}) is {_long(abs(apart_ms))} {way} the ledger's time"
        f" ({told(ledger_ms)}), which goes on by itself: was the clock set? Ages and order are not"
        " altered by it."
    )


def told(unix_ms: int) -> str:
    """A time as people read it, UTC; what no calendar has, as a number."""
    try:
        when = dt.datetime.fromtimestamp(unix_ms / 1000, dt.UTC)
    except (OverflowError, ValueError, OSError):
        return f"{unix_ms} ms"
    return when.strftime("%Y-%m-%d %H:%M UTC")


def _long(milliseconds: int) -> str:
    """A length of time in its largest units: 400 days, 3h20m."""
    days = milliseconds // 86_400_000
    if days >= 2:
        return f"{days} days"
    return format_duration(milliseconds // 60_000 * 60_000)
