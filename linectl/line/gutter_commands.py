"""Persons' commands for single gutters: finish, redo, reject, removed, handed over."""

from __future__ import annotations

from typing import TYPE_CHECKING

from linectl.image import Command
from linectl.line.lane import Lane
from linectl.line.lane_commands import find_lane

if TYPE_CHECKING:
    from linectl.line.line import Line


def partial(line: Line, command: Command) -> str | None:
    """What is to become of a partly done gutter: `partial STATION finish|redo|reject`."""
    words = command.argument.split()
    if len(words) != 2 or words[1] not in ("finish", "redo", "reject"):
        return "partial STATION finish|redo|reject"
    part = line.stations.get(words[0])
    if part is None or part.state != "partial":
        return f"no partial gutter at {words[0]!r}"
    if words[1] == "reject":
        return _take_off(line, words[0], "reject")
    if (part.state, words[1]) not in part.TABLE.moves:
        return f"{words[0]} cannot draw the gutter back under its tool: finish or reject"
    line.gutters[part.gutter].partial = ""
    line.alarms.clear(f"{part.name}.partial")
    line.alarms.clear(f"{part.name}.{part.fault}")
    part.fault = ""
    part.go(words[1])
    if part.unit is not None and part.unit.moving:
        part.rearm(line.now)
    return None


def reject(line: Line, command: Command) -> str | None:
    """A person has taken a gutter off, and it is rejected."""
    return _take_off(line, command.argument, "reject")


def removed(line: Line, command: Command) -> str | None:
    """A person has taken a gutter off."""
    return _take_off(line, command.argument, "removed")


def handed_over(line: Line, command: Command) -> str | None:
    """A person says for packing that it has the gutter."""
    if not line.ends.turnout.handed_over():
        return "no hand-over waits for packing's word"
    line.changed = True
    return None


def _take_off(line: Line, place: str, dest: str) -> str | None:
    """A person has taken the gutter off a station by hand; the eyes must agree."""
    lane = find_lane(line, place)
    if lane is not None:
        return _off_transfer(line, lane, dest)
    part = line.stations.get(place)
    if part is None or not part.gutter:
        return f"the ledger has no gutter at {place!r}"
    if (part.state, "gone") not in part.TABLE.moves:
        return f"{place} is {part.state}: hold the unit and wait until it stands"
    if part.unit is not None and part.unit.moving:
        return f"{part.unit.name} is {part.unit.state}: hold it and wait until it stands"
    infeed = line.ends.infeed
    if part is not infeed and part.gutter == infeed.gutter:
        return f"{infeed.name} has gutter {part.gutter} in hand: hold the unit; if it fell, " + (
            f"removed {infeed.name}"
        )
    for role in ("entry_eye", "exit_eye", "on_board", "centred"):
        index = line.site_io.get(f"{place}.{role}")
        if index is not None and not line.inputs.off[index]:
            return f"{place}.{role} still sees a gutter: take it off first, two people"
    if (why := part.still_there()) is not None:
        return why
    line.alarms.clear(f"{part.name}.{part.fault}")
    line.abandon(part.number)
    gutter = part.gutter
    part.removed()  # type: ignore[attr-defined]
    _tell_taken(line, gutter, dest)
    line.alarms.clear(f"{place}.partial")
    line.alarms.clear(f"{place}.wet")
    return None


def _off_transfer(line: Line, lane: Lane, dest: str) -> str | None:
    fault, number = lane.fault, lane.number
    if why := lane.taken_off():
        return why
    line.alarms.clear(f"{lane.name}.{fault}")
    line.abandon(number)
    _tell_taken(line, lane.gutter, dest)
    lane.gutter = 0
    return None


def _tell_taken(line: Line, gutter: int, dest: str) -> None:
    """It is told from where the record has it, which is behind while its move hangs open."""
    kind = "correct" if dest == "removed" else "reject"
    line.complete(line.intend(kind, gutter, line.gutters[gutter].place, dest))
    line.lanes.release(line.gutters.pop(gutter))
