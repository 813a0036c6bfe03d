"""Good cycles of every part, and how long their steps took, from changes of state and alarms.

A cycle goes from a part's rest to its rest. One in which an alarm stood that concerns the part, or
in which the part faulted, is left out whole. A step counts only if a unit that lets the part move
was in Execute or Completing, in production, from its begin to its end: else something held it up.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

from linectl.commission.calibrate.timed_steps import StepName, TimedPart

Row = Sequence[Any]
"""(at_ms, kind, source, text, data) of an event."""
WORKING = frozenset(("Execute", "Completing"))
NOT_GOOD = frozenset(("faulted", "partial", "out_of_service", "restowing", "seeking"))
"""States that no good cycle has."""


@dataclass
class _Track:
    """What a part is doing. `against`: why its cycle is not a good one."""

    part: TimedPart
    state: str = ""
    of: str = ""
    since: int = 0
    whole: bool = False
    """Its unit has worked since the state began."""
    open: bool = False
    """The begin of the cycle was seen."""
    began: int = 0
    against: str = ""
    steps: list[tuple[StepName, int]] = field(default_factory=list)


class StepCycles:
    """Takes events in order of time. `durations`: ms by step, of good cycles only."""

    def __init__(
        self, parts: Mapping[str, TimedPart], from_ms: int | None = None, to_ms: int | None = None
    ) -> None:
        """from_ms, to_ms: cycles that begin earlier or end later are passed over."""
        self.durations: dict[StepName, list[int]] = {}
        self.good: Counter[str] = Counter(dict.fromkeys(parts, 0))
        self.left_out: Counter[tuple[str, str]] = Counter()
        """By part and why."""
        self._from = from_ms
        self._to = to_ms
        self._tracks = {name: _Track(part) for name, part in parts.items()}
        self._working: dict[str, bool] = {}
        self._alarms: set[str] = set()

    def take(self, rows: Iterable[Row]) -> None:
        """More of what happened."""
        for at_ms, kind, source, text, data in rows:
            if kind == "station" and source in self._tracks:
                self._step(self._tracks[source], int(at_ms), str(text), str(data.get("of", "")))
            elif kind == "unit":
                works = data.get("state") in WORKING and data.get("mode") == "production"
                self._working[source] = works
                for track in self._tracks.values():
                    track.whole = track.whole and self._works(track.part)
            elif kind == "alarm_on":
                self._alarms.add(source)
                for track in self._concerned(source):
                    track.against = track.against or f"alarm {source}"
            elif kind == "alarm_off":
                self._alarms.discard(source)

    def _works(self, part: TimedPart) -> bool:
        return any(self._working.get(unit, False) for unit in part.units)

    def _concerned(self, alarm: str) -> list[_Track]:
        """An alarm named after a part concerns that part; any other concerns all."""
        own = self._tracks.get(alarm.split(".")[0])
        return [own] if own is not None else list(self._tracks.values())

    def _standing(self, part: str) -> str:
        for alarm in sorted(self._alarms):
            head = alarm.split(".")[0]
            if head == part or head not in self._tracks:
                return f"alarm {alarm}"
        return ""

    def _step(self, track: _Track, at_ms: int, state: str, of: str) -> None:
        rest = track.part.rest
        if track.open and track.whole:
            name = StepName(track.part.name, track.of, track.state)
            track.steps.append((name, at_ms - track.since))
        if state in NOT_GOOD:
            track.against = track.against or state
        if track.open and state == rest:
            self._end(track, at_ms)
        if track.state == rest and state != rest:
            track.open, track.began, track.steps = True, at_ms, []
            track.against = self._standing(track.part.name) or (state if state in NOT_GOOD else "")
        track.state, track.of, track.since = state, of, at_ms
        track.whole = self._works(track.part)

    def _end(self, track: _Track, at_ms: int) -> None:
        track.open = False
        if self._from is not None and track.began < self._from:
            return
        if self._to is not None and at_ms > self._to:
            return
        if track.against:
            self.left_out[track.part.name, track.against] += 1
            return
        self.good[track.part.name] += 1
        for name, ms in track.steps:
            self.durations.setdefault(name, []).append(ms)
