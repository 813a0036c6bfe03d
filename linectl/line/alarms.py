"""Alarms that stand now; which of them came first is asked of `first_out.py`."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

from linectl.image import Event

if TYPE_CHECKING:
    from linectl.line.line import Line


@dataclass(frozen=True)
class Alarm:
    """One standing alarm: what happened, what to do, since when (ms), and whether it was first."""

    tag: str
    priority: str
    text: str
    do: str
    since: int
    first_out: bool


class Alarms:
    """Standing alarms by tag."""

    FIELDS = ("standing",)

    def __init__(self, line: Line) -> None:
        self._line = line
        self.standing: dict[str, Alarm] = {}

    def raise_(self, tag: str, priority: str, text: str, do: str) -> None:
        """An alarm comes; one that stands already keeps its time."""
        if tag in self.standing:
            return
        now = self._line.now
        first = self._line.first_out.alarm(tag, text)
        self.standing[tag] = Alarm(tag, priority, text, do, now, first)
        data: dict[str, str | bool] = {"priority": priority, "first_out": first, "do": do}
        self._line.emit(Event(now, "alarm_on", tag, text, data))

    def mark_first(self, marks: Mapping[str, bool]) -> None:
        """A trip has been judged anew: which of these alarms may have come first."""
        for tag, first in marks.items():
            alarm = self.standing.get(tag)
            if alarm is not None and alarm.first_out is not first:
                self.standing[tag] = replace(alarm, first_out=first)

    def text_of(self, part: str) -> str | None:
        """What the first standing alarm of a part says; None if it has none."""
        texts = (a.text for tag, a in self.standing.items() if tag.startswith(f"{part}."))
        return next(texts, None)

    def clear(self, tag: str) -> None:
        """The alarm's condition has ended."""
        alarm = self.standing.pop(tag, None)
        if alarm is not None:
            self._line.emit(Event(self._line.now, "alarm_off", tag, alarm.text, {}))
