"""Alarms in force, those that wait for an acknowledgement, and what a person has put aside.

States and moves are those of `alarm_states.TABLE`. Nothing here stops or starts anything: an
interlock acts whether its alarm is shown, shelved or out of service, and acknowledging resets
nothing. What is put aside ends with the controller: after a restart every alarm is shown.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import asdict, dataclass, replace
from typing import TYPE_CHECKING, Any

from linectl.image import Event, Remark, Value
from linectl.line.alarm_states import (
    ANNUNCIATED,
    LATCHED,
    LATCHED_ACKNOWLEDGED,
    NORMAL,
    OUT,
    RETURNED,
    SHELVED,
    SUPPRESSED,
    TABLE,
    UNACKNOWLEDGED,
    WAITING,
)
from linectl.line.inputs import NEVER
from linectl.site.alarm_catalogue import Help

if TYPE_CHECKING:
    from linectl.line.line import Line


@dataclass(frozen=True)
class Alarm:
    """One alarm: what happened, what to do, since when (ms), whether it was first, its state."""

    tag: str
    priority: str
    text: str
    do: str
    since: int
    first_out: bool
    state: str = UNACKNOWLEDGED
    present: bool = True
    """Its condition is there; False: it has gone, and a latch or an acknowledgement is waited
    for."""


@dataclass(frozen=True)
class Shelf:
    """An alarm put aside until `until` (ms), or, one-shot, until it has returned, if sooner."""

    by: str
    why: str
    since: int
    until: int
    one_shot: bool


@dataclass(frozen=True)
class Removed:
    """An alarm out of service until a person returns it."""

    by: str
    why: str
    since: int


class Alarms:
    """Alarms by tag. `standing`: in force, that is present or latched, shown or hidden."""

    FIELDS = ("standing", "returned", "shelves", "removed", "suppressed")

    def __init__(self, line: Line, helps: Mapping[str, Help]) -> None:
        self._line = line
        self.helps = helps
        """Every alarm that this site can raise, with what its files say of it."""
        self.standing: dict[str, Alarm] = {}
        self.returned: dict[str, Alarm] = {}
        """Gone and not yet acknowledged."""
        self.shelves: dict[str, Shelf] = {}
        self.removed: dict[str, Removed] = {}
        self.suppressed: set[str] = set()

    # what the line says ------------------------------------------------------------------------

    def raise_(self, tag: str, priority: str, text: str, do: str = "") -> None:
        """An alarm comes; one that stands already keeps its time.

        The site's priority comes before the line's; its advice stands where none is given here,
        as it is where only the moment knows what helps (a bypass, a device).
        """
        if tag in self.standing:
            return
        was = self.state(tag)
        self.returned.pop(tag, None)
        said = self.help_of(tag)
        if said is not None:
            priority, do = said.priority, do or said.do
        first = self._line.first_out.alarm(tag, text)
        state = TABLE.after(was, "comes")
        alarm = Alarm(tag, priority, text, do, self._line.now, first, state)
        self.standing[tag] = alarm
        self._tell(alarm, was, state)

    def clear(self, tag: str) -> None:
        """The alarm's condition has ended, or its latch was reset."""
        alarm = self.standing.pop(tag, None)
        if alarm is None:
            return
        latched = alarm.state in (LATCHED, LATCHED_ACKNOWLEDGED)
        state = TABLE.after(alarm.state, "reset" if latched else "returns")
        if state == RETURNED:
            self.returned[tag] = replace(alarm, state=state, present=False)
        self._tell(alarm, alarm.state, state)
        self._one_shot(tag)

    def remark(self, remarks: Sequence[tuple[str, Remark | None]]) -> None:
        """The field's remarks that came and ended; one that comes in other words rings no more."""
        renewed = {tag for tag, remark in remarks if remark is not None}
        for tag, remark in remarks:
            if remark is None:
                if tag not in renewed:
                    self.clear(tag)
            elif tag in self.standing:
                self.standing[tag] = replace(self.standing[tag], text=remark.text, do=remark.do)
                self._line.changed = True
            else:
                self.raise_(*remark)

    def suppress(self, names: frozenset[str]) -> None:
        """These are suppressed by design from now on, and no others; told where there is an alarm
        to tell of."""
        for tag in sorted(names - self.suppressed):
            was = self.state(tag)
            self.suppressed.add(tag)
            if was != NORMAL:
                self._move(tag, was, "suppress")
        for tag in sorted(self.suppressed - names):
            was = self.state(tag)
            self.suppressed.discard(tag)
            if self.state(tag) != NORMAL:
                self._end(tag, was, SUPPRESSED, "unsuppress")

    def sense(self) -> None:
        """Conditions beneath a latch that went, or came again."""
        causes = self._line.causes
        for number, tag in causes.latches:
            alarm = self.standing.get(tag)
            if alarm is None:
                continue
            if alarm.present and not causes.live[number]:
                self._sense(alarm, False, "returns_latched")
                self._one_shot(tag)
            elif not alarm.present and causes.shows(number, self._line.inputs):
                self._sense(alarm, True, "comes")

    def step(self, now: int) -> None:
        """Once a scan: shelves whose time is over."""
        for tag in [tag for tag, shelf in self.shelves.items() if shelf.until <= now]:
            self.unshelve(tag, "", "its time is over")

    def next_due(self) -> int:
        """When the next shelf ends."""
        return min((shelf.until for shelf in self.shelves.values()), default=NEVER)

    # what people do ----------------------------------------------------------------------------

    def acknowledge(self, tag: str, by: str) -> None:
        """A person has seen it. It must wait for that (see `waiting`)."""
        alarm = self.standing.get(tag)
        if alarm is not None:
            self._move(tag, alarm.state, "acknowledge", by)
            return
        gone = self.returned.pop(tag)
        self._tell(gone, gone.state, TABLE.after(gone.state, "acknowledge"), by)

    def shelve(self, tag: str, shelf: Shelf) -> None:
        """Put aside by a named person: not shown, watched all the same."""
        was = self.state(tag)
        self.shelves[tag] = shelf
        self._move(tag, was, "shelve", shelf.by, shelf.why)

    def unshelve(self, tag: str, by: str, why: str = "") -> None:
        """Shown again, by a person, by its time, or because it has returned once."""
        was = self.state(tag)
        del self.shelves[tag]
        self._end(tag, was, SHELVED, "unshelve", by, why)

    def remove_from_service(self, tag: str, removed: Removed) -> None:
        """Not shown until a person returns it to service."""
        was = self.state(tag)
        self.removed[tag] = removed
        self._move(tag, was, "remove_from_service", removed.by, removed.why)

    def return_to_service(self, tag: str, by: str) -> None:
        """Shown again."""
        was = self.state(tag)
        del self.removed[tag]
        self._end(tag, was, OUT, "return_to_service", by)

    # what is asked -----------------------------------------------------------------------------

    def state(self, tag: str) -> str:
        """The state of an alarm, one of the table's nine."""
        alarm = self.standing.get(tag) or self.returned.get(tag)
        return alarm.state if alarm is not None else self._hidden(tag) or NORMAL

    def help_of(self, tag: str) -> Help | None:
        """What the site's files say of an alarm, by its tag or, of what was granted, its kind."""
        return self.helps.get(tag) or self.helps.get(tag.partition(".")[0])

    def waiting(self) -> list[str]:
        """Tags of the alarms that wait for an acknowledgement."""
        return [alarm.tag for alarm in self.listed() if alarm.state in WAITING]

    def listed(self) -> Iterator[Alarm]:
        """Alarms in force, hidden or not, then those that are gone and not acknowledged."""
        yield from self.standing.values()
        yield from self.returned.values()

    def shown(self) -> list[Alarm]:
        """Alarms in force that are not hidden."""
        return [alarm for alarm in self.standing.values() if alarm.state in ANNUNCIATED]

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

    # moves -------------------------------------------------------------------------------------

    def _hidden(self, tag: str) -> str:
        """By what it is hidden most strongly; empty if by nothing."""
        if tag in self.removed:
            return OUT
        if tag in self.suppressed:
            return SUPPRESSED
        return SHELVED if tag in self.shelves else ""

    def _move(self, tag: str, was: str, event: str, by: str = "", why: str = "") -> None:
        state = TABLE.after(was, event)
        alarm = self.standing.get(tag)
        if alarm is not None:
            self.standing[tag] = replace(alarm, state=state)
        gone = self.returned.pop(tag, None)  # hidden, it waits for nobody
        self._tell(alarm or gone or self._normal(tag), was, state, by, why)

    def _end(
        self, tag: str, was: str, hiding: str, event: str, by: str = "", why: str = ""
    ) -> None:
        """Something that hid the alarm has ended: it is shown in the state that it has now."""
        alarm = self.standing.get(tag)
        left = ""
        if was != hiding:
            left = "_beneath"
        elif rest := self._hidden(tag):
            left = "_shelved" if rest == SHELVED else "_suppressed"
        elif alarm is not None:
            left = "_present" if alarm.present else "_latched"
        self._move(tag, was, event + left, by, why)

    def _sense(self, alarm: Alarm, present: bool, event: str) -> None:
        state = TABLE.after(alarm.state, event)
        self.standing[alarm.tag] = replace(alarm, present=present, state=state)
        self._tell(alarm, alarm.state, state)

    def _one_shot(self, tag: str) -> None:
        shelf = self.shelves.get(tag)
        if shelf is not None and shelf.one_shot:
            self.unshelve(tag, "", "it has returned")

    def _normal(self, tag: str) -> Alarm:
        said = self.help_of(tag)
        priority = said.priority if said is not None else "high"
        return Alarm(tag, priority, tag, "", self._line.now, False, NORMAL, False)

    def _tell(self, alarm: Alarm, was: str, state: str, by: str = "", why: str = "") -> None:
        """Events: `alarm_on` and `alarm_off` where it begins and ends to be shown in force."""
        line = self._line
        line.changed = True
        if state in ANNUNCIATED and was not in ANNUNCIATED:
            data: dict[str, Value | str | None] = {
                "priority": alarm.priority, "first_out": alarm.first_out, "do": alarm.do,
            }  # fmt: skip
            line.emit(Event(line.now, "alarm_on", alarm.tag, alarm.text, data))
        data = {
            "priority": alarm.priority, "was": was, "state": state, "by": by, "why": why,
            "in_force": alarm.tag in self.standing,
        }  # fmt: skip
        line.emit(Event(line.now, "alarm_state", alarm.tag, alarm.text, data))
        if was in ANNUNCIATED and state not in ANNUNCIATED:
            line.emit(Event(line.now, "alarm_off", alarm.tag, alarm.text, {}))

    # kept --------------------------------------------------------------------------------------

    def plain(self) -> dict[str, Any]:
        """The state as plain data."""
        return {
            "standing": [asdict(alarm) for alarm in self.standing.values()],
            "returned": [asdict(alarm) for alarm in self.returned.values()],
            "shelves": [[tag, asdict(shelf)] for tag, shelf in self.shelves.items()],
            "removed": [[tag, asdict(removed)] for tag, removed in self.removed.items()],
            "suppressed": sorted(self.suppressed),
        }

    def fill(self, saved: dict[str, Any]) -> None:
        """Take over what `plain` gave."""
        self.standing = {row["tag"]: Alarm(**row) for row in saved["standing"]}
        self.returned = {row["tag"]: Alarm(**row) for row in saved["returned"]}
        self.shelves = {tag: Shelf(**row) for tag, row in saved["shelves"]}
        self.removed = {tag: Removed(**row) for tag, row in saved["removed"]}
        self.suppressed = set(saved["suppressed"])
