"""The process image: where field (or plant) and line meet, as plain lists by point index."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
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
    commands: in order of arrival. durable: this many words of this boot are on disk; a word is one
    Move that a scan told, an intent or a done. release: modes that are not released, and why not
    yet, as `Start.release`; None: as before.
    remarks: (tag, remark) of the field's remarks that came, or (tag, None) of those that ended.
    """

    values: list[tuple[int, Value]] = field(default_factory=list)
    quality: list[tuple[int, bool]] = field(default_factory=list)
    commands: list[Command] = field(default_factory=list)
    durable: int | None = None
    remarks: list[tuple[str, Remark | None]] = field(default_factory=list)
    release: Mapping[str, str] | None = None

    def __bool__(self) -> bool:
        told = self.durable is not None or self.release is not None
        return bool(told or self.values or self.quality or self.commands or self.remarks)


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


class Inside(NamedTuple):
    """A gutter at a station, carriage or turntable, as the record has it at start.

    sown_at, ripe_at, wet_at: milliseconds on the controller's clock, below zero; None if not yet.
    done, begun: stations whose process on it is known done; intended and never seen done.
    """

    gutter: int
    place: str
    crop: str
    sown_at: int | None = None
    ripe_at: int | None = None
    wet_at: int | None = None
    done: tuple[str, ...] = ()
    begun: tuple[str, ...] = ()


class LaneSet(NamedTuple):
    """What a person had set of a lane: its programme; who took it out of service ("": nobody)."""

    programme: str
    locked_by: str = ""


class DayLeft(NamedTuple):
    """What is left of today's list in one lane, as told at start.

    sow: (crop, gutters) in the order of sowing. pull: gutters still to be ejected.
    """

    sow: tuple[tuple[str, int], ...] = ()
    pull: int = 0


class ChangeoverLeft(NamedTuple):
    """A change of crop or seed lot that was under way, as told at start.

    stage: none, or a stage of line/changeover.py. crop, lot: what is being changed to. by: who
    asked for it. gutter: the first gutter that is held at the seed station; 0: there is none.
    seeds: what the counter gave for it; below zero: not known.
    """

    stage: str = "none"
    crop: str = ""
    lot: str = ""
    by: str = ""
    gutter: int = 0
    seeds: float = -1.0


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


class Loaded(NamedTuple):
    """A lot that a person has named as loaded, as told at start.

    kind: substrate, seed or packing; crop: that of a seed lot, else empty. since: milliseconds on
    the controller's clock, below zero.
    """

    kind: str
    crop: str
    lot: str
    by: str
    since: int


class Move(NamedTuple):
    """One move of a gutter, or of a run's row, as intended (done=False) or done (done=True).

    kind: feed, convey, process (a tool works on it; source = dest = the station), reserve,
    release (a reservation ends without insert), pick, put (turn-out), insert, stroke, transfer,
    eject, handover, reject, correct. source/dest: place names. For `stroke` source is the run
    (`lane1.germ`), gutter -1. For `reserve` dest, for `release` source is the mouth slot. number
    rises by one.
    """

    number: int
    kind: str
    gutter: int
    source: str
    dest: str
    crop: str
    done: bool
    at: int


@dataclass(frozen=True)
class Start:
    """What the record says as a controller begins; empty: a line that has nothing in it.

    slots: what stands in lanes, on transfers too. inside: what stands at stations and carriages.
    moves: intended and never seen done, the oldest first. reserved: gutter by lane. lanes, crop
    ("": as the site has it), order_at: what people had set, and the place in the harvest order.
    day: what is left of today's list, by lane; empty: there is no list. changeover: the change of
    crop or seed lot that was under way. blend: data of the last `blend` event; empty: none.
    clock: what a person must say of the wall clock; empty: nothing. release: by mode (production,
    dry_cycle) why it is not yet released; empty: all are. While production is not, units begin in
    maintenance.
    """

    slots: Sequence[Slot] = ()
    inside: Sequence[Inside] = ()
    moves: Sequence[Move] = ()
    reserved: Mapping[int, int] = field(default_factory=dict)
    lanes: Mapping[int, LaneSet] = field(default_factory=dict)
    crop: str = ""
    order_at: int = 0
    day: Mapping[int, DayLeft] = field(default_factory=dict)
    changeover: ChangeoverLeft | None = None
    blend: Mapping[str, Any] = field(default_factory=dict)
    clock: str = ""
    release: Mapping[str, str] = field(default_factory=dict)
    next_gutter: int = 1
    next_move: int = 1


class Event(NamedTuple):
    """What the line says happened. `source` is a unit, station, lane, cause or tag.

    kind: unit (state change; data mode, state, reason), station (state change; of a lane that moves
    data of: its run or transfer), alarm_on and alarm_off (shown in force from and to then; data
    priority, first_out, do), alarm_state (data
    priority, was, state, by, why, in_force), wait_on and wait_off (data unit, state, reason,
    lane), command (accepted or refused; data why), note, bypass, force and override (data stage,
    by, reason; at the end for_ms, ended_by, came), trip (data: the record so far, plain, nested),
    lane_set (what a person set of a lane; data programme, locked_by), crop_set (data crop),
    order (data at: the place in the harvest order), lot (loaded; data kind, crop, lot, by; lot
    empty: nobody knows), weight (data lot, crop, kg, by), day_list (source a lane: what is left of
    today's list; data stands, sow, pull), changeover (how far it is; data as ChangeoverLeft),
    first_gutter (looked at; data gutter, crop, lot, seeds, verdict, text, by), blend (what harvest
    follows; data stage, run, name, by, cycle, place, owed, beside, counts; went, at each eject:
    crop, made_up, skipped, forgiven; ended: ended_by, account), gutter_weight (data gutter, crop,
    kg: what packing's scale says), pulse (source the output; data stage: waits, warned, begun,
    ended, refused; tag, value, others: set beside it, by tag; for_ms, by; at the end ended_by:
    time, enabling, warning, interlock: CAUSE, device, mode, person, control place; ran_ms), tune
    (a timer, dose or calibration was changed on the running line; data by, path, old, new).
    """

    at: int
    kind: str
    source: str
    text: str
    data: Mapping[str, Any]
