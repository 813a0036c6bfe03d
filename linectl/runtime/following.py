"""People who follow a plan: shift by shift they tell the line its list, change the crop, and stop.

They look round every LOOK_MS and do one round of acts, at fixed times, so that leaping and
scanning every tick see the same acts. At night nobody looks, and a rehearsal leaps over it.
What a shift leaves undone stands first on the next one's list.
"""

from __future__ import annotations

import datetime as dt
from collections import Counter
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass

from linectl.image import Command, Event, Move
from linectl.line.lot_commands import LENGTH_MAX
from linectl.line.units import Unit
from linectl.runtime.bench import Bench
from linectl.runtime.hopper import Hopper
from linectl.site.plan_file import Allot, Day

LOOK_MS = 10_000
OVERTIME_MS = 1_200_000
"""After the shift's end wet gutters are still brought into their lanes, for so long at most."""
CREW = "the crew"
AT_REST = ("Stopped", "Complete")
TROUBLED = ("faulted", "partial")


@dataclass(frozen=True)
class Shiftwork:
    """One shift of a plan; times in ms of the run."""

    day: Day
    begins_ms: int
    ends_ms: int


@dataclass(frozen=True)
class DayEnd:
    """What a shift did of its list. `list` is the plan's day with what the day before had left.

    sown, pulled: gutters indexed and ejected, by lane and crop. left: the list's rest.
    ended_ms: when both units stood. refused: what the line said no to, and why.
    """

    work: Shiftwork
    list: Day
    ended_ms: int
    sown: Mapping[tuple[int, str], int]
    pulled: Mapping[tuple[int, str], int]
    left: Day
    changes: tuple[tuple[int, str], ...]
    refused: tuple[str, ...]


class Following:
    """The crew of every shift. `told` gets each day's end; `take` is fed what scans said."""

    def __init__(
        self, bench: Bench, shifts: Sequence[Shiftwork], told: Callable[[DayEnd], None]
    ) -> None:
        self._bench, self._line = bench, bench.line
        self._shifts = list(shifts)
        self._told = told
        self._hopper = Hopper(bench, self._say)
        self._lane_of = {lane.mouth: lane.id for lane in self._line.lanes.lanes}
        self._lane_of |= {lane.tail: lane.id for lane in self._line.lanes.lanes}
        self._list = self._left = Day(dt.date.min)
        self._order: list[str] = []
        """Crops in the order in which today's list first names them."""
        self._sown: Counter[tuple[int, str]] = Counter()
        self._pulled: Counter[tuple[int, str]] = Counter()
        self._refused: list[str] = []
        self._untold = False
        """The line has not taken today's list: nothing of it is done."""
        if shifts:
            bench.at(shifts[0].begins_ms, self._begin)

    def take(self, moves: Sequence[Move], events: Sequence[Event]) -> None:
        """What one scan said: gutters are counted by its done moves, refusals by its events."""
        for move in moves:
            if move.done and move.kind == "insert":
                self._sown[self._lane_of[move.dest], move.crop] += 1
            elif move.done and move.kind == "eject":
                self._pulled[self._lane_of[move.source], move.crop] += 1
        for event in events:
            refused = event.kind == "command" and not event.data["accepted"]
            if refused and event.data["by"] == CREW:
                said = f"{event.text.strip()}: {event.data['why']}"
                if said not in self._refused:
                    self._refused.append(said)
                self._untold = self._untold or event.text.startswith("line today")

    # a shift -----------------------------------------------------------------------------------

    def _begin(self) -> None:
        """The shift's list, its lots, and both units started."""
        work = self._shifts[0]
        self._begin_counting()
        self._list = _with_rest(self._left, work.day)
        self._order = list(dict.fromkeys(allot.crop for allot in self._list.sow))
        self._say("", "lot", f"substrate {self._lot('substrate')}")
        self._say("", "lot", f"packing {self._lot('packing')}")
        if not self._line.changeover.stands:
            drum = self._line.crop_in_drum
            self._say("", "lot", f"seed {drum} {self._lot(drum)}")
        self._say("", "today", list_text(self._list))
        self._bench.at(self._bench.now + LOOK_MS, self._round)

    def _begin_counting(self) -> None:
        self._sown.clear()
        self._pulled.clear()
        self._hopper.changes.clear()
        self._refused.clear()
        self._untold = False

    def _round(self) -> None:
        now = self._bench.now
        over = now >= self._shifts[0].ends_ms
        if not over:
            self._see_to_crop(now)
        self._hopper.look(now, over)
        line = self._line
        sown = over or not line.day.sow
        # over time harvest makes holes until the sower has brought away what it has inside
        pulled = not any(line.day.pull.values()) or (over and line.sowing.state in AT_REST)
        if sown and pulled and all(unit.state in AT_REST for unit in line.units):
            self._end()
            return
        late = now >= self._shifts[0].ends_ms + OVERTIME_MS
        self._see_to(line.sowing, sown, late)
        self._see_to(line.harvest, pulled, late)
        self._bench.at(now + LOOK_MS, self._round)

    def _see_to_crop(self, now: int) -> None:
        """Another crop into the drum when no lane has the present one next."""
        wanted = self._line.day.next_crops()
        if not wanted or self._line.crop_in_drum in wanted:
            return
        if now + self._line.site.file.sowing.changeover_ms <= self._shifts[0].ends_ms:
            crop = min(wanted, key=self._place_in_order)
            self._hopper.announce(crop, self._lot(crop))

    def _place_in_order(self, crop: str) -> int:
        return self._order.index(crop) if crop in self._order else len(self._order)

    def _see_to(self, unit: Unit, done: bool, late: bool) -> None:
        """The next of reset, start, unhold, run-out and stop that brings the unit on."""
        inside = any(part.gutter for part in unit.parts)
        if late and unit.state not in (*AT_REST, "Stopping"):
            self._say(unit.name, "stop")
        elif done and unit.state == "Execute" and not unit.run_out:
            self._say(unit.name, "run-out")
        elif done and unit.state in ("Suspended", "Held", "Idle") and not inside:
            self._say(unit.name, "stop")
        elif unit is self._line.sowing and self._hopper.busy():
            return
        elif unit.state == "Held" and not any(part.state in TROUBLED for part in unit.parts):
            self._say(unit.name, "unhold")
        elif not done and unit.state in AT_REST:
            self._say(unit.name, "reset")
        elif not done and unit.state == "Idle":
            self._say(unit.name, "start")

    def _end(self) -> None:
        work = self._shifts.pop(0)
        self._left = self._list if self._untold else self._rest()
        self._told(
            DayEnd(
                work, self._list, self._bench.now, dict(self._sown), dict(self._pulled),
                self._left, tuple(self._hopper.changes), tuple(self._refused),
            )
        )  # fmt: skip
        if self._shifts:
            self._bench.at(max(self._shifts[0].begins_ms, self._bench.now), self._begin)

    def _rest(self) -> Day:
        """What the list that stands has left."""
        day = self._line.day
        return Day(
            self._list.date,
            tuple(
                Allot(lane, str(crop), n) for lane in sorted(day.sow) for crop, n in day.sow[lane]
            ),
            tuple(Allot(lane, "", n) for lane, n in sorted(day.pull.items()) if n),
        )

    def _lot(self, what: str) -> str:
        return f"{self._shifts[0].day.date}-{what}"[:LENGTH_MAX]

    def _say(self, unit: str, name: str, argument: str = "") -> None:
        self._bench.command(Command(unit, name, argument, CREW))


def list_text(day: Day) -> str:
    """The argument of the command `today` for a day's list."""
    if not day.sow and not day.pull:
        return "none"
    pull: Counter[int] = Counter()
    for allot in day.pull:
        pull[allot.lane] += allot.gutters
    sow = ",".join(f"{each.lane}:{each.crop}:{each.gutters}" for each in day.sow)
    out = ",".join(f"{lane}:{gutters}" for lane, gutters in sorted(pull.items()))
    return " ".join(part for part in (sow and f"sow={sow}", out and f"pull={out}") if part)


def _with_rest(rest: Day, day: Day) -> Day:
    return Day(day.date, rest.sow + day.sow, rest.pull + day.pull)
