"""A walk-round's corrections: what a person found in a slot, told to the record.

`correct SLOT hole` (nothing stands there), `unknown` (one whose number nobody knows) or a
gutter's number (that one, which the record has elsewhere in a lane: there a hole is left).
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from linectl.image import Command
from linectl.line.inputs import NEVER
from linectl.line.lane import Lane
from linectl.line.transfers import HOLE, UNKNOWN

if TYPE_CHECKING:
    from linectl.line.line import Line

USAGE = "correct SLOT hole|unknown|GUTTER, for example: correct lane1.germ.0 hole"


def correct(line: Line, command: Command) -> str | None:
    """What a person found in a slot; None when taken, else why not."""
    words = command.argument.split()
    if len(words) != 2 or not (words[1] in ("hole", "unknown") or _number(words[1])):
        return USAGE
    if not command.by:
        return "say who has looked: a correction is kept under a person's name"
    place, found = words
    stem, _, slot = place.rpartition(".")
    lane = next((lane for lane in line.lanes.lanes if stem in lane.runs), None)
    if lane is None or not slot.isdecimal():
        return f"no slot {place!r}"
    run = lane.slots[lane.runs.index(stem)]
    if int(slot) >= len(run):
        return f"{stem} has slots 0 to {len(run) - 1}"
    if lane.state not in ("available", "faulted", "out_of_service"):
        return f"{lane.name} is {lane.state}: wait until it stands"
    gutter = int(found) if found.isdecimal() else {"hole": HOLE, "unknown": UNKNOWN}[found]
    if why := _against(line, lane, place, gutter):
        return why
    _put(line, place, gutter)
    lane.open_since = NEVER
    line.alarms.clear(f"{lane.name}.mouth")
    line.recovery.corrected(lane, place)
    line.changed = True
    return None


def _number(word: str) -> bool:
    return word.isdecimal() and int(word) > 0


def _against(line: Line, lane: Lane, place: str, gutter: int) -> str | None:
    """What speaks against the person's word."""
    if gutter == HOLE and (eye := _eye(lane, place)) is not None and line.seen.on[eye]:
        return f"{place}: its eye still sees a gutter; take it out, or clean the eye"
    for move in line.open_moves.values():
        ends = (move.source, move.dest)
        if move.kind != "reserve" and (place in ends or place.rpartition(".")[0] in ends):
            return f"{place}: move {move.number} ({move.kind}) there is not finished; that first"
    return _against_gutter(line, place, gutter) if gutter > HOLE else None


def _against_gutter(line: Line, place: str, gutter: int) -> str | None:
    """What speaks against it that this gutter, named by a person, stands there."""
    known = line.gutters.get(gutter)
    if known is None:
        return f"the record has no gutter {gutter} in the line: correct {place} unknown"
    found = _slot_of(line, gutter)
    if found is None:
        return f"the record has gutter {gutter} at {known.place}: first removed {known.place}"
    for move in line.open_moves.values():
        if move.gutter == gutter or move.source == found[2].rpartition(".")[0]:
            return (
                f"gutter {gutter} is under way: move {move.number} ({move.kind}) from"
                f" {move.source} is not finished; that first"
            )
    return None


def _eye(lane: Lane, place: str) -> int | None:
    """The eye that looks at that slot."""
    stem, _, slot = place.rpartition(".")
    number = lane.runs.index(stem)
    if slot == "0":
        return lane.eyes(number)[0]
    return lane.eyes(number)[1] if int(slot) == len(lane.slots[number]) - 1 else None


def _slot_of(line: Line, gutter: int) -> tuple[list[int], int, str] | None:
    """(its run's slots, its slot, that slot's name) of a gutter in a lane."""
    for lane in line.lanes.lanes:
        for run, slots in zip(lane.runs, lane.slots, strict=True):
            if gutter in slots:
                at = slots.index(gutter)
                return slots, at, f"{run}.{at}"
    return None


def _put(line: Line, place: str, gutter: int) -> None:
    """Tell the record, one word for what leaves the slot and one for what is found in it."""
    stem, _, slot = place.rpartition(".")
    run = next(
        slots
        for lane in line.lanes.lanes
        for name, slots in zip(lane.runs, lane.slots, strict=True)
        if name == stem
    )
    at = int(slot)
    known = run[at]
    if known not in (HOLE, gutter):
        line.complete(line.intend("correct", known, place, "removed"))
        if known > 0:
            line.lanes.release(line.gutters.pop(known))
        run[at] = HOLE
    if gutter == UNKNOWN and known != UNKNOWN:
        line.complete(line.intend("correct", UNKNOWN, "removed", place))
    elif gutter > 0 and known != gutter:
        found = _slot_of(line, gutter)
        if found is not None:
            slots, was, source = found
            slots[was] = HOLE
            line.complete(line.intend("correct", gutter, source, place))
    run[at] = gutter
    line.recovery.confirm(gutter)
