"""A carriage brought to a place and read there: by a person's jog, or by pulses of this tool.

With pulses the place is found by its flag: the encoder at both edges of the flag's window, coming
from below and from above, always at standstill. The middle of the window is the place. What the
drive stops at says nothing by itself: it stops where its encoder tells what it was sent to.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from statistics import fmean
from typing import NamedTuple

from linectl.commission.calibrate.work import Work
from linectl.commission.person import FieldAct
from linectl.line.pulse_limits import pulse_most_ms
from linectl.site.durations import format_duration
from linectl.site.machine import Carriage
from linectl.site.motions import travel_ms
from linectl.site.sheet import TreePath

READS = 5
"""Readings of the encoder at one standstill."""
STILL_MM = 2
"""Readings of one standstill differ by no more, else it does not stand."""
FINE_MM = 2
"""Between two stops at an edge of the flag: the edge is told to half of it."""
COARSE_SHARE = 1.5
"""Of the flag's half window, between two stops while it is looked for: no window is passed over."""
TRIES = 3
"""Of one pulse that something broke off: an enabling device let go, a device silent."""
PULSE_SLACK_MS = 1_500
"""On the reckoned time of a way: the drive's start, and the poll that shows its end."""


class NotTaught(Exception):
    """The place cannot be taught: why, in a sentence."""


@dataclass(frozen=True)
class Place:
    """Where a carriage stands to reach something."""

    carriage: str
    name: str
    """home, or lane 2."""
    path: TreePath
    """Where site.yaml has it."""
    found_mm: int


class Stop(NamedTuple):
    """A standstill: what the encoder read, and whether the flag was seen."""

    mm: float
    flag: bool


class Window(NamedTuple):
    """The edges of a flag on the encoder, mm."""

    low: float
    high: float

    @property
    def middle(self) -> float:
        return (self.low + self.high) / 2


class Jogged:
    """The person moves it, by the machine's own hard-wired control."""

    def __init__(self, work: Work, name: str) -> None:
        self._work, self.name = work, name

    def approaches(self, place: Place, near_mm: float, count: int) -> tuple[list[float], ...]:
        """Readings in front of the place, going up and going down."""
        sides: tuple[list[float], ...] = ([], [])
        for turn in range(count):
            for side, words in zip(sides, ("smaller", "greater"), strict=True):
                side.append(self._brought(place, words, f"{turn + 1} of {count}"))
        return sides

    def stand(self, place: Place, at_mm: float, going: int) -> Stop:
        """Back at the place for verification."""
        return Stop(self._brought(place, "smaller" if going > 0 else "greater", "check"), True)

    def _brought(self, place: Place, words: str, turn: str) -> float:
        """Asks until it stands there with the flag seen."""
        text = (
            f"jog {self.name} in front of {place.name}, coming from {words} positions ({turn}),"
            " until it stands exactly"
        )
        self._work.person.act(FieldAct("jog", self.name, place.found_mm, text))
        while True:
            self._work.ask("  Enter when it stands and nobody touches the jog (q ends): ")
            stop = standstill(self._work, self.name)
            if stop is None:
                self._work.say("  it does not stand, or cannot be read: wait, then Enter")
            elif not stop.flag:
                self._work.say(f"  it stands at {stop.mm:.0f} mm and sees no flag: go on to it")
            else:
                self._work.say(f"  {stop.mm:.1f} mm, flag seen")
                return stop.mm


class Pulsed:
    """The tool moves it, by pulses, while a person holds the enabling device."""

    def __init__(self, work: Work, name: str, facts: Carriage) -> None:
        self._work, self.name, self._facts = work, name, facts
        self._most_ms = pulse_most_ms(work.site, f"{name}.run")

    def approaches(self, place: Place, near_mm: float, count: int) -> tuple[list[float], ...]:
        """The middle of the flag's window, passed through going up and going down in turn."""
        half = self._facts.tolerance_mm
        seen = self._found(place, near_mm)
        coarse = self._passed(seen - 2 * half, seen + 2 * half, +1, half * 2 / 3, 0.0)
        sides: tuple[list[float], ...] = ([], [])
        for turn in range(count):
            shift = turn * FINE_MM / count  # so that the stops of two passes are not the same
            for side, going in zip(sides, (+1, -1), strict=True):
                window = self._passed(coarse.low, coarse.high, going, FINE_MM, shift)
                side.append(window.middle)
                self._work.say(
                    f"  {'up' if going > 0 else 'down'}: flag from {window.low:.1f} to"
                    f" {window.high:.1f} mm, middle {window.middle:.1f}"
                )
        return sides

    def stand(self, place: Place, at_mm: float, going: int) -> Stop:
        """To the taught position, from the side that is asked."""
        self.go(at_mm - going * 2 * self._facts.tolerance_mm)
        return self.go(at_mm)

    def _found(self, place: Place, near_mm: float) -> float:
        """A position at which the flag is seen, looked for outward from where it should be."""
        step = COARSE_SHARE * self._facts.tolerance_mm
        for away in _outward(step, self._facts.teach_mm + 2 * self._facts.tolerance_mm):
            stop = self.go(near_mm + away)
            if stop.flag:
                return stop.mm
        raise NotTaught(
            f"no flag is seen within {self._facts.teach_mm} mm of {near_mm:.0f} mm"
            f" (site.yaml: teach_mm of {self.name})"
        )

    def _passed(self, low: float, high: float, going: int, step: float, shift: float) -> Window:
        """The flag's edges in one pass, from well outside; the way between is one travel."""
        first, second = (low, high) if going > 0 else (high, low)
        room = 2 * self._facts.tolerance_mm
        entered = self._edge(first, going, step, shift, True, room)
        left = self._edge(second, going, step, shift, False, room)
        return Window(min(entered, left), max(entered, left))

    def _edge(
        self, near_mm: float, going: int, step: float, shift: float, rising: bool, room: float
    ) -> float:
        """Where the flag comes (rising) or goes, near a position, stepping one way only."""
        at = near_mm - going * (3 * step + shift)
        before = self.go(at)
        while before.flag is rising:  # not far enough out yet, or already past it
            at -= going * 3 * step
            if abs(at - near_mm) > room:
                raise NotTaught(f"its flag has no edge near {near_mm:.0f} mm")
            before = self.go(at)
        while abs(at - near_mm) <= 2 * room:
            at += going * step
            stop = self.go(at)
            if stop.flag is rising:
                return (stop.mm + before.mm) / 2
            before = stop
        raise NotTaught(f"its flag has no edge near {near_mm:.0f} mm")

    def go(self, to_mm: float) -> Stop:
        """One pulse to a position, and what is read there at standstill."""
        work, target = self._work, round(to_mm)
        here = work.controller.look(-1).points[f"{self.name}.position"]
        if here is None:
            raise NotTaught(f"{self.name}.position cannot be read")
        way_ms = travel_ms(target - float(here), self._facts.speed_mm_s, self._facts.ramp_ms)
        for_ms = min(round(way_ms) + PULSE_SLACK_MS, self._most_ms)
        argument = f"{self.name}.run {format_duration(for_ms)} {self.name}.target={target}"
        for _ in range(TRIES):
            why = self._pulse(argument)
            if why is None:
                break
            work.say(f"  {why}")
            if work.ask("  Enter: once more; no: give it up (q ends): ").lower() in ("n", "no"):
                raise NotTaught(why)
            self._hold_anew()
        else:
            raise NotTaught(f"{why}, {TRIES} times")
        stop = standstill(work, self.name)
        if stop is None or abs(stop.mm - target) > self._facts.tolerance_mm:
            told = "nowhere" if stop is None else f"at {stop.mm:.0f} mm"
            raise NotTaught(f"sent to {target} mm it stands {told}")
        return stop

    def _hold_anew(self) -> None:
        """A device that was held without use for long counts only when it was let go once."""
        zone, act = self._facts.zone, self._work.person.act
        act(FieldAct("let_go", zone, False, f"let the enabling device of {zone} go"))
        self._work.terms.pause()
        act(FieldAct("hold", zone, True, f"hold the enabling device of {zone} again"))

    def _pulse(self, argument: str) -> str | None:
        """One pulse to its end; why it did not last its time, None if it did."""
        work = self._work
        why = work.controller.command("pulse", argument, work.terms.by)
        if why is not None:
            return f"a pulse was refused: {why}"
        while (status := work.controller.status())["pulse"] is not None:
            if work.person.enough():
                work.controller.command("pulse-end", "", work.terms.by)
            work.terms.pause()
        how = status["last_pulse"]["ended_by"]
        return None if how == "time" else f"a pulse was ended by {how}"


def _outward(step: float, reach: float) -> Iterator[float]:
    """0, step, −step, 2·step … as far as `reach`."""
    yield 0.0
    number = 1
    while number * step <= reach:
        yield from (number * step, -number * step)
        number += 1


def standstill(work: Work, name: str) -> Stop | None:
    """The encoder read several times; None while it moves or cannot be read."""
    read: list[float] = []
    flags = set()
    for _ in range(2 * READS):
        points = work.controller.look(-1).points
        mm, flag = points[f"{name}.position"], points[f"{name}.flag"]
        if points[f"{name}.running"] is False and mm is not None and flag is not None:
            read.append(float(mm))
            flags.add(bool(flag))
        if len(read) == READS:
            break
        work.terms.pause()
    if len(read) < READS or max(read) - min(read) > STILL_MM or len(flags) != 1:
        return None
    return Stop(fmean(read), flags.pop())
