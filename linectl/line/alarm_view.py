"""Alarms as a person reads them: state, what happened, what follows, where to look, what to do."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from linectl.line.alarm_states import HIDDEN, NORMAL, OUT, SHELVED, SUPPRESSED, WAITING
from linectl.site.alarm_catalogue import look_at

if TYPE_CHECKING:
    from linectl.line.alarms import Alarm
    from linectl.line.line import Line

_URGENT = {"high": 0, "medium": 1, "low": 2}


def view(line: Line) -> dict[str, Any]:
    """Every alarm that is not normal, the most urgent first, with counts. Times in seconds."""
    alarms = line.alarms
    listed = {alarm.tag: alarm for alarm in alarms.listed()}
    rows = [_row(line, tag, listed.get(tag)) for tag in _tags(line, listed)]
    rows.sort(key=lambda row: (row["hidden"], not row["waiting"], _URGENT[row["priority"]]))
    return {
        "alarms": rows,
        "counts": counts(line),
        "shelve_limit_s": line.site.file.limits.shelve_limit_ms / 1000,
    }


def counts(line: Line) -> dict[str, int]:
    """How many alarms are shown, wait for an acknowledgement, and are put aside and how."""
    alarms = line.alarms
    return {
        "standing": len(alarms.shown()),
        "unacknowledged": len(alarms.waiting()),
        SHELVED: len(alarms.shelves),
        SUPPRESSED: sum(alarm.state == SUPPRESSED for alarm in alarms.standing.values()),
        OUT: len(alarms.removed),
    }


def _tags(line: Line, listed: dict[str, Alarm]) -> list[str]:
    """Those with an alarm, in the order in which they came, then those only put aside."""
    alarms = line.alarms
    came = sorted(listed, key=lambda tag: listed[tag].since)
    return list(dict.fromkeys([*came, *alarms.removed, *alarms.shelves]))


def _row(line: Line, tag: str, alarm: Alarm | None) -> dict[str, Any]:
    alarms, now = line.alarms, line.now
    said = alarms.help_of(tag)
    state = alarms.state(tag)
    shelf, removed = alarms.shelves.get(tag), alarms.removed.get(tag)
    return {
        "tag": tag,
        "state": state,
        "waiting": state in WAITING,
        "hidden": state in HIDDEN or state == NORMAL,
        "present": alarm is not None and alarm.present,
        "priority": alarm.priority if alarm is not None else said.priority if said else "high",
        "since_s": (now - alarm.since) / 1000 if alarm is not None else None,
        "first_out": alarm is not None and alarm.first_out,
        "text": alarm.text if alarm is not None else "",
        "consequence": said.consequence if said else "",
        "look": look_at(line.site, said) if said else [],
        "do": alarm.do if alarm is not None else said.do if said else "",
        "explained_by": _explained_by(line, tag) if state == SUPPRESSED else None,
        "may_shelve": said is not None and not said.vital,
        "shelved": None
        if shelf is None
        else {
            "by": shelf.by,
            "why": shelf.why,
            "one_shot": shelf.one_shot,
            "left_s": (shelf.until - now) / 1000,
        },
        "out_of_service": None
        if removed is None
        else {"by": removed.by, "why": removed.why, "since_s": (now - removed.since) / 1000},
    }


def _explained_by(line: Line, tag: str) -> str | None:
    """The alarm from which this one follows; None: its cause is not enabled in this mode."""
    rows = zip(line.causes.rows, line.causes.announced, strict=True)
    return next((row.name for row, there in rows if there and tag in row.explains), None)
