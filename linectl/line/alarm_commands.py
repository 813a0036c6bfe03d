"""What people do with alarms: acknowledge, shelve, put out of service, and the ways back.

Taken from any control place: none of it leads to motion, resets an interlock or stops one from
acting. Shelving hides the showing of an alarm for a time and under a name; alarms on which people
rely (emergency stops, guards, silent devices, lost supplies, the start warning) are never hidden.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING

from linectl.image import Command
from linectl.line.alarm_states import WAITING
from linectl.line.alarms import Removed, Shelf
from linectl.site.complaints import nearest
from linectl.site.durations import format_duration, parse_duration

if TYPE_CHECKING:
    from linectl.line.line import Line

ALL = "all"
ONCE = "once"
REASON_LENGTH_MAX = 200
"""Characters of a reason: it stands in lists and in the record."""


def _acknowledge(line: Line, command: Command) -> str | None:
    alarms, tag = line.alarms, command.argument
    if tag == ALL:
        for waiting in alarms.waiting():
            alarms.acknowledge(waiting, command.by)
        return None
    if why := _unknown(line, tag):
        return why
    if alarms.state(tag) not in WAITING:
        return f"{tag} is {_said(line, tag)}: it does not wait for an acknowledgement"
    alarms.acknowledge(tag, command.by)
    return None


def _shelve(line: Line, command: Command) -> str | None:
    tag, _, rest = command.argument.partition(" ")
    time, _, reason = rest.partition(" ")
    limit = line.site.file.limits.shelve_limit_ms
    if why := _may_not_hide(line, tag, command.by, reason):
        return why
    try:
        for_ms = limit if time == ONCE else parse_duration(time)
    except ValueError as error:
        return f"{error}; or {ONCE}: until it has returned"
    if not 0 < for_ms <= limit:
        return f"{time} is not possible: an alarm is shelved for {format_duration(limit)} at most"
    shelf = Shelf(command.by, reason, line.now, line.now + for_ms, time == ONCE)
    line.alarms.shelve(tag, shelf)
    return None


def _unshelve(line: Line, command: Command) -> str | None:
    tag = command.argument
    if why := _unknown(line, tag):
        return why
    if tag not in line.alarms.shelves:
        return f"{tag} is not shelved"
    line.alarms.unshelve(tag, command.by)
    return None


def _out_of_service(line: Line, command: Command) -> str | None:
    tag, _, reason = command.argument.partition(" ")
    if why := _may_not_hide(line, tag, command.by, reason):
        return why
    if tag in line.alarms.removed:
        return f"{tag} is out of service already, by {line.alarms.removed[tag].by}"
    line.alarms.remove_from_service(tag, Removed(command.by, reason, line.now))
    return None


def _in_service(line: Line, command: Command) -> str | None:
    tag = command.argument
    if why := _unknown(line, tag):
        return why
    if tag not in line.alarms.removed:
        return f"{tag} is not out of service"
    line.alarms.return_to_service(tag, command.by)
    return None


def _unknown(line: Line, tag: str) -> str | None:
    helps = line.alarms.helps
    if tag in helps or tag in line.alarms.standing or tag in line.alarms.returned:
        return None
    near = nearest(tag, helps)
    return f"there is no alarm {tag!r}" + (f"; {near}" if near else "")


def _may_not_hide(line: Line, tag: str, by: str, reason: str) -> str | None:
    """Why this person may not hide this alarm; None if it may be hidden."""
    if why := _unknown(line, tag):
        return why
    said = line.alarms.help_of(tag)
    if said is None or said.vital:
        return f"{tag} is never hidden: people rely on it"
    if not by.strip():
        return "say who: an alarm is hidden under a name"
    if not reason.strip():
        return "say why: an alarm is hidden for a reason"
    if len(reason) > REASON_LENGTH_MAX:
        return f"the reason has {len(reason)} characters; {REASON_LENGTH_MAX} are enough"
    return None


def _said(line: Line, tag: str) -> str:
    return line.alarms.state(tag).replace("_", " ")


ALARM_ACTS: dict[str, Callable[[Line, Command], str | None]] = {
    "alarm-ack": _acknowledge,
    "alarm-shelve": _shelve,
    "alarm-unshelve": _unshelve,
    "alarm-out-of-service": _out_of_service,
    "alarm-in-service": _in_service,
}
