"""Taking over what the record says, before any device has answered: nothing is believed yet."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

from linectl.errors import LedgerBroken
from linectl.image import Inside, Move, Slot, Start
from linectl.line.gutters import Gutter
from linectl.line.inputs import NEVER
from linectl.line.lane import Lane
from linectl.line.transfers import HOLE

if TYPE_CHECKING:
    from linectl.line.line import Line
    from linectl.line.recovery.recovery import Recovery

AHEAD_OF_WATER = ("magazine", "fill", "tamp")
"""Belts before the watering: a gutter there needs no hole yet."""


def take_over(recovery: Recovery, start: Start) -> None:
    """What people had set, what stands where, what was under way."""
    line = recovery.line
    line.day.take_over(start.day)
    line.order.told(start.order_at, start.blend)
    line.changeover.take_over(start.changeover)
    _stand(line, start.slots)
    for move in start.moves:
        line.open_moves[move.number] = move
    for inside in start.inside:
        _put_inside(recovery, inside)
    for number, known in start.lanes.items():
        lane = line.lanes.by_id.get(number)
        if lane is not None:
            lane.programme, lane.locked_by = known
            if known.locked_by:
                lane.go("lock")
    for number, gutter in start.reserved.items():
        lane = line.lanes.by_id.get(number)
        if lane is not None and gutter in line.gutters:
            lane.reserved = gutter
            line.gutters[gutter].lane = number
    for move in start.moves:
        if move.kind == "feed" and move.gutter not in line.gutters:
            line.gutters[move.gutter] = Gutter(move.gutter, move.source, move.crop)
    line.follow_numbers(max(line.gutters, default=0), max(line.open_moves, default=0))
    recovery.known = line.last_number()
    recovery.unverified = {slot.gutter for slot in start.slots if slot.gutter > 0}


def _stand(line: Line, slots: Sequence[Slot]) -> None:
    places: dict[str, tuple[Lane, int, int]] = {
        f"{run}.{number}": (lane, at, number)
        for lane in line.lanes.lanes
        for at, run in enumerate(lane.runs)
        for number in range(len(lane.slots[at]))
    }
    for slot in slots:
        lane, at, number = places.get(slot.place) or _beside(line, slot)
        lane.slots[at][number] = slot.gutter
        if slot.gutter > 0:
            line.gutters[slot.gutter] = Gutter(
                slot.gutter, slot.place, slot.crop, 0, NEVER, slot.sown_at, slot.ripe_at
            )


def _beside(line: Line, slot: Slot) -> tuple[Lane, int, int]:
    """A gutter that the record has on a transfer belongs to the slot that it came from, or, if
    that is taken, to the one beyond."""
    for lane in line.lanes.lanes:
        if slot.place in lane.joints:
            at = lane.joints.index(slot.place)
            if lane.slots[at][-1] == HOLE:
                return lane, at, len(lane.slots[at]) - 1
            return lane, at + 1, 0
    raise LedgerBroken(f"the record has a gutter at {slot.place!r}, which this site does not have")


def _put_inside(recovery: Recovery, inside: Inside) -> None:
    line = recovery.line
    part = line.stations.get(inside.place)
    if part is None:
        raise LedgerBroken(
            f"the record has gutter {inside.gutter} at {inside.place!r}, unknown here"
        )
    leaving = any(
        move.kind == "convey" and (move.gutter, move.source) == (inside.gutter, inside.place)
        for move in recovery.line.open_moves.values()
    )
    if not (leaving and part.gutter):  # one that was on its way out, and the next one behind it
        part.gutter = inside.gutter
    told = (inside.wet_at, inside.sown_at, inside.ripe_at)
    wet_at, sown_at, ripe_at = (NEVER if time is None else time for time in told)
    line.gutters[inside.gutter] = Gutter(
        inside.gutter, inside.place, inside.crop, 0, wet_at, sown_at, ripe_at
    )
    if inside.done:
        recovery.worked[inside.gutter] = list(inside.done)


def sort_out(recovery: Recovery) -> None:
    """Of two open moves of one gutter or run only the later was under way; one whose gutter has
    left its source since is no more than a number."""
    line = recovery.line
    latest: dict[tuple[str, object], Move] = {}
    for move in list(line.open_moves.values()):
        if move.number > recovery.known:
            continue
        if move.kind == "stroke":
            key: tuple[str, object] = ("stroke", move.source)
        elif move.kind == "process":
            key = ("process", (move.gutter, move.source))
        else:
            key = ("gutter", move.gutter)
        known = line.gutters.get(move.gutter)
        moved_on = move.kind not in ("stroke", "process") and (
            known is None or known.place not in (move.source, move.dest)
        )
        if move.gutter < 0 and move.kind != "stroke":
            moved_on = False
        if moved_on or move.kind in ("reserve", "release", "reject", "correct"):
            _overtaken(recovery, move)
            continue
        if key in latest:
            _overtaken(recovery, latest[key])
        latest[key] = move


def _overtaken(recovery: Recovery, move: Move) -> None:
    recovery.stale.add(move.number)
    recovery.line.abandon(move.number)


def release_unused(recovery: Recovery) -> None:
    """A reservation whose gutter has not come to the watering ends; it is taken anew there."""
    line = recovery.line
    ahead = {belt.gutter for belt in line.ends.belts[: len(AHEAD_OF_WATER)]}
    beyond = {part.gutter for part in line.ends.wet_parts}
    for lane in line.lanes.lanes:
        gutter = line.gutters.get(lane.reserved)
        if gutter is not None and gutter.id in ahead and gutter.id not in beyond:
            number = line.intend("release", gutter.id, lane.mouth, gutter.place)
            line.lanes.release(gutter)
            line.complete(number)


def left_over(recovery: Recovery) -> None:
    """Open moves that no part has taken up and nobody is asked about: nothing is under way there.
    A move found not done after an earlier power cut is one, if another gutter has come since."""
    line = recovery.line
    held = {number for part in line.parts for number in (part.number, getattr(part, "process", 0))}
    held |= {number for number, (_, verdict, _) in recovery.moves.items() if verdict == "asked"}
    for number in list(line.open_moves):
        if number <= recovery.known and number not in held:
            line.abandon(number)
