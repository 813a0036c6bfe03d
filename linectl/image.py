"""The process image: where field (or plant) and line meet, as plain lists by point index."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any, NamedTuple

Value = bool | int | float


class Command(NamedTuple):
    """A person's or a program's request: `unit` may be empty for line-wide commands."""

    unit: str
    name: str
    argument: str = ""
    by: str = ""


class Remark(NamedTuple):
    """What the field wants told as an alarm: a point not taken, answers that grow late."""

    tag: str
    priority: str
    text: str
    do: str


@dataclass(slots=True)
class Frame:
    """Everything one scan is told. Engineering values: scale, offset, order are already done.

    values: (point index, value) of inputs whose value differs from the last frame's.
    quality: (point index, good) of inputs whose quality changed; absent data is bad data.
    commands: in order of arrival. durable: every intent up to this number is on disk.
    remarks: (tag, remark) of the field's remarks that came, or (tag, None) of those that ended.
    """

    values: list[tuple[int, Value]] = field(default_factory=list)
    quality: list[tuple[int, bool]] = field(default_factory=list)
    commands: list[Command] = field(default_factory=list)
    durable: int | None = None
    remarks: list[tuple[str, Remark | None]] = field(default_factory=list)

    def __bool__(self) -> bool:
        return bool(
            self.values or self.quality or self.commands or self.durable is not None or self.remarks
        )


class Slot(NamedTuple):
    """A lane slot that is not a plain hole, as told at start.

    place: `lane3.germ.17` (slot 0 is at the run's mouth end). gutter: id, or -1 for unknown.
    sown_at, ripe_at: milliseconds on the controller's clock, negative = before start.
    """

    place: str
    gutter: int
    crop: str
    sown_at: int
    ripe_at: int


class Left(NamedTuple):
    """What a person had set and the record does not have as ended, as told at start.

    kind: bypass, force or override; name: cause, tag or value. since, until: milliseconds on the
    controller's clock, below zero; until is when the boot that had it ended, or was last heard.
    in_force: it was still in force then; else a bypass that waits for its trial.
    """

    kind: str
    name: str
    by: str
    reason: str
    since: int
    until: int
    in_force: bool


class Move(NamedTuple):
    """One move of a gutter, or of a run's row, as intended (done=False) or done (done=True).

    kind: feed, convey, reserve, pick, put (turn-out), insert, stroke, transfer, eject,
    handover, reject, correct. source/dest: place names. For `stroke` source is the run
    (`lane1.germ`), gutter -1. For `reserve` dest is the mouth slot. number rises by one.
    """

    number: int
    kind: str
    gutter: int
    source: str
    dest: str
    crop: str
    done: bool
    at: int


class Event(NamedTuple):
    """What the line says happened. `source` is a unit, station, lane, cause or tag.

    kind: unit (state change; data mode, state, reason), station (state change), alarm_on and
    alarm_off (shown in force from and to then; data priority, first_out, do), alarm_state (data
    priority, was, state, by, why, in_force), wait_on and wait_off (data unit, state, reason,
    lane), command (accepted or refused; data why), note, bypass, force and override (data stage,
    by, reason; at the end for_ms, ended_by, came), trip (data: the record so far, plain, nested).
    """

    at: int
    kind: str
    source: str
    text: str
    data: Mapping[str, Any]
