"""Persons' commands for lanes: advance empty, programme, out of service, resume."""

from __future__ import annotations

from typing import TYPE_CHECKING

from linectl.image import Command
from linectl.line.lane import Lane

if TYPE_CHECKING:
    from linectl.line.line import Line


def find_lane(line: Line, text: str) -> Lane | None:
    """The lane that a person means by `3` or `lane3`; None if there is none."""
    number = text.removeprefix("lane")
    return line.lanes.by_id.get(int(number)) if number.isdigit() else None


def _no_lane(line: Line, text: str) -> str:
    return f"no lane {text!r}; there are: {', '.join(str(lane.id) for lane in line.lanes.lanes)}"


def advance_empty(line: Line, command: Command) -> str | None:
    """Stroke a lane without an insert: `advance-empty LANE`."""
    lane = find_lane(line, command.argument)
    if lane is None:
        return _no_lane(line, command.argument)
    lane.advance_empty()
    line.changed = True
    return None


def resume(line: Line, command: Command) -> str | None:
    """A faulted lane goes on with what it was at: `lane-resume LANE`. No reset does that."""
    lane = find_lane(line, command.argument)
    if lane is None:
        return _no_lane(line, command.argument)
    if lane.state != "faulted":
        return f"{lane.name} is {lane.state}: there is nothing to resume"
    for number in range(len(line.causes.rows)):
        if line.causes.rows[number].priority and line.causes.stops(number) & lane.mask:
            return line.cause_text(number)
    if lane.fault == "between" and lane.between_levels(lane.which):
        return f"{lane.joints[lane.which]} stands between its levels: bring it to one by the" + (
            " control at the machine, then lane-resume"
        )
    lane.retry(line.now)
    line.changed = True
    return None


def programme(line: Line, command: Command) -> str | None:
    """What a lane is to do: `programme LANE filling|steady|running_out|resting`."""
    words = command.argument.split()
    if len(words) != 2:
        return "programme LANE filling|steady|running_out|resting"
    lane = find_lane(line, words[0])
    if lane is None:
        return _no_lane(line, words[0])
    if words[1] not in ("filling", "steady", "running_out", "resting"):
        return f"no programme {words[1]!r}: filling, steady, running_out or resting"
    lane.set(words[1], lane.locked_by)
    return None


def lock(line: Line, command: Command) -> str | None:
    """A named person takes a lane out of service."""
    lane = find_lane(line, command.argument)
    if lane is None:
        return _no_lane(line, command.argument)
    if not command.by:
        return "say who locks it: out-of-service is under a person's name"
    if (lane.state, "lock") not in lane.TABLE.moves:
        return f"{lane.name} is {lane.state}: wait until it stands"
    line.alarms.clear(f"{lane.name}.{lane.fault}")
    lane.go("lock")
    lane.set(lane.programme, command.by)
    return None


def unlock(line: Line, command: Command) -> str | None:
    """Whoever took the lane out of service puts it back."""
    lane = find_lane(line, command.argument)
    if lane is None:
        return _no_lane(line, command.argument)
    if lane.state != "out_of_service":
        return f"{lane.name} is in service"
    if command.by != lane.locked_by:
        return f"{lane.name} was locked by {lane.locked_by}; only they unlock it"
    lane.go("unlock")
    if lane.fault:
        lane.stand("faulted")  # something was under way in it, or it stood faulted when locked
        tag = f"{lane.name}.{lane.fault}"
        if tag not in line.alarms.standing:
            text = f"{lane.name}: not finished when it was locked: see to it, then lane-resume"
            line.alarms.raise_(tag, "high", text)
    lane.set(lane.programme, "")
    return None
