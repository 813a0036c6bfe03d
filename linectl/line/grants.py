"""What a named person has set for a time and a reason: the form that forces and overrides share."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass
from typing import TYPE_CHECKING, Any

from linectl.image import Event, Left, Value
from linectl.line.inputs import NEVER
from linectl.site.durations import format_duration, parse_duration

if TYPE_CHECKING:
    from linectl.line.line import Line
    from linectl.line.units import Unit

REASON_MIN = 3
"""Characters of a reason: a full stop is none."""
REASON_MAX = 200
"""Characters of a reason or a name: an alarm's line, not a letter."""
GRANT_MS_MAX = 8 * 3_600_000
"""Longest force or override: one shift; common practice, no source."""
GRANTS_MAX = 16
"""Forces or overrides at once: with more of them nobody knows any more what the line is told."""


@dataclass(frozen=True)
class Grant:
    """One value that a person has set. `since` and `due` in ms on the controller's clock."""

    name: str
    value: Value
    by: str
    reason: str
    since: int
    due: int

    @property
    def shown(self) -> str:
        """The value as a person reads it."""
        return str(int(self.value)) if isinstance(self.value, bool) else f"{self.value:g}"


def terms(duration: str, reason: str, by: str, limit_ms: int) -> int | str:
    """How long, in ms, if person, reason and a time within the limit are given; else why not."""
    if not by.strip():
        return "say who: it is under a person's name"
    if len(reason.strip()) < REASON_MIN:
        return "say why: it is for a stated reason"
    if max(len(reason), len(by)) > REASON_MAX:
        return f"name and reason take {REASON_MAX} characters each"
    try:
        length_ms = parse_duration(duration)
    except ValueError as error:
        return str(error)
    if length_ms <= 0:
        return "say for how long: more than nothing"
    if length_ms > limit_ms:
        return f"{duration} is longer than the limit of {format_duration(limit_ms)}"
    return length_ms


class Grants:
    """Standing grants of one kind, by name: listed, alarmed, ended by expiry, person or mode."""

    FIELDS = ("standing",)
    KIND = ""
    """`force` or `override`: the kind of its events and the stem of its alarms."""

    def __init__(self, line: Line) -> None:
        self.line = line
        self.standing: dict[str, Grant] = {}

    def units_of(self, name: str) -> tuple[Unit, ...]:
        """The units that a grant concerns: standing Suspended they do not return by themselves."""
        raise NotImplementedError

    def text(self, grant: Grant) -> str:
        """What a person reads of it."""
        raise NotImplementedError

    def altered(self) -> None:
        """The list has changed: derive what follows from it."""

    def add(self, name: str, value: Value, length_ms: int, reason: str, by: str) -> str | None:
        """It stands from now on. None, or why it may not."""
        if name in self.standing:
            return f"{self.text(self.standing[name])}; end that first"
        if len(self.standing) >= GRANTS_MAX:
            return f"{GRANTS_MAX} stand already: end one first"
        now = self.line.now
        grant = Grant(name, value, by.strip(), reason.strip(), now, now + length_ms)
        self.standing[name] = grant
        self.line.alarms.raise_(
            f"{self.KIND}.{name}", "medium", self.text(grant),
            f"end it as soon as its reason is gone: {self.KIND}-end {name}",
        )  # fmt: skip
        self._tell(grant, "begun", {"limit_ms": length_ms})
        return None

    def end(self, name: str, how: str) -> str | None:
        """It ends: what the field says, or the line's own value, counts again."""
        grant = self.standing.pop(name, None)
        if grant is None:
            return f"no {self.KIND} of {name!r} stands"
        self.line.alarms.clear(f"{self.KIND}.{name}")
        self._tell(grant, "ended", {"for_ms": self.line.now - grant.since, "ended_by": how})
        return None

    def end_all(self, how: str) -> None:
        """Every one of them ends."""
        for name in list(self.standing):
            self.end(name, how)

    def expire(self, now: int) -> None:
        """What has reached its due ends."""
        for name in [name for name, grant in self.standing.items() if grant.due <= now]:
            self.end(name, "expiry")

    def left(self, rows: Sequence[Left]) -> list[str]:
        """After a restart: none is taken up again; the record gets their end, and who asks it."""
        told = []
        for row in rows:
            if not row.in_force:
                continue
            text = f"{row.name}: the {self.KIND} by {row.by} ({row.reason}) ended with the restart"
            data: dict[str, Value | str | None] = {
                "stage": "ended", "by": row.by, "reason": row.reason, "ended_by": "restart",
                "for_ms": row.until - row.since,
            }  # fmt: skip
            self.line.emit(Event(self.line.now, self.KIND, row.name, text, data))
            told.append(text)
        return told

    def mode_changed(self, unit: Unit) -> None:
        """A unit's mode has changed: what concerns it ends."""
        for name in [name for name in self.standing if unit in self.units_of(name)]:
            self.end(name, f"mode of {unit.name}")

    def next_due(self) -> int:
        """When the earliest ends."""
        return min((grant.due for grant in self.standing.values()), default=NEVER)

    def concerns(self, unit: Unit) -> bool:
        """One stands that concerns the unit."""
        return any(unit in self.units_of(name) for name in self.standing)

    def listed(self) -> list[dict[str, Any]]:
        """Each of them for `status`; times in seconds."""
        now = self.line.now
        return [
            {
                "name": grant.name, "value": grant.value, "by": grant.by, "reason": grant.reason,
                "since_s": (now - grant.since) / 1000, "left_s": (grant.due - now) / 1000,
            }
            for grant in self.standing.values()
        ]  # fmt: skip

    def plain(self) -> list[dict[str, Any]]:
        """The state as plain data."""
        return [asdict(grant) for grant in self.standing.values()]

    def fill(self, rows: list[dict[str, Any]]) -> None:
        """Take over what `plain` gave."""
        self.standing = {row["name"]: Grant(**row) for row in rows}
        self.altered()

    def _tell(self, grant: Grant, stage: str, more: Mapping[str, Value | str]) -> None:
        line = self.line
        for unit in self.units_of(grant.name):
            unit.touched = True
        data = {"stage": stage, "by": grant.by, "reason": grant.reason, "value": grant.value}
        line.emit(Event(line.now, self.KIND, grant.name, self.text(grant), {**data, **more}))
        line.changed = True
        self.altered()
