"""Why something does not move, from the very tables that the scan runs on.

Each answer is a list of checks from the demand down to the device, the unmet ones first. What is
met and what is not is asked of the line, its causes and its parts: nothing is judged again here.
"""

from __future__ import annotations

from dataclasses import asdict
from typing import TYPE_CHECKING, Any

from linectl.errors import UsageError
from linectl.line import why_by_hand
from linectl.line.cause_rows import Cause
from linectl.line.inputs import NEVER
from linectl.line.lane import Lane
from linectl.line.part import Part
from linectl.line.units import WARNED, Unit, wrong_place
from linectl.line.why_causes import Check, cause_chain, cause_check, force_marks, input_chain, where

if TYPE_CHECKING:
    from linectl.line.line import Line


def why(line: Line, name: str) -> list[dict[str, Any]]:
    """Checks for an output, input, station, lane, unit or cause: unmet first, then what is marked.

    Raises UsageError for a name that is none of these.
    """
    checks = _checks(line, name)
    ordered = sorted(checks, key=lambda check: (check.met, not check.marked))
    return [{**asdict(check), "where": where(line, check.points)} for check in ordered]


def _checks(line: Line, name: str) -> list[Check]:
    unit = next((unit for unit in line.units if unit.name == name), None)
    if unit is not None:
        return _unit(line, unit)
    part = next((part for part in line.parts if part.name == name), None)
    if part is not None:
        return _part(line, part)
    number = next((n for n, row in enumerate(line.causes.rows) if row.name == name), None)
    if number is not None:
        return cause_chain(line, number)
    index = line.site_io.get(name)
    if index is None:
        raise UsageError(f"{name!r} is no tag, station, lane, unit or cause of this site")
    point = line.site.points[index]
    if point.direction == "in":
        return input_chain(line, index)
    return _output(line, index) if point.is_bool else _number(line, index)


# outputs -----------------------------------------------------------------------------------------


def _output(line: Line, index: int) -> list[Check]:
    """Demand, the unit's right to move, every cause that may switch it off, its devices."""
    bit = line.bit(index)
    demanded = bool(line.demand() & bit)
    owner = next((part for part in line.parts if part.mask & bit), None)
    point = line.site.points[index]
    checks = [Check("demand", demanded, _demand_text(line, index, owner, demanded))]
    if why_by_hand.concerned(line, point):
        checks = why_by_hand.checks(line, point)
    elif owner is not None:
        rights = _rights(line, owner)
        if rights.met or not demanded:
            checks.append(rights)
        if not demanded:
            checks += _troubles(line, owner)
    checks += [
        cause_check(line, number, not line.forbids(number) & bit)
        for number, row in enumerate(line.causes.rows)
        if (row.blocks | row.bars) & bit
    ]
    return [*checks, *force_marks(line, point.tag), _devices(line, index, bit)]


def _demand_text(line: Line, index: int, owner: Part | None, demanded: bool) -> str:
    tag = line.site.points[index].tag
    bit = line.bit(index)
    wants = "demands" if demanded else "does not demand"
    if owner is not None:
        held = not demanded and owner.demand() & bit
        late = f", time-out in {(owner.due - line.now) / 1000:.1f} s" if owner.due != NEVER else ""
        said = "may not move now" if held else f"{wants} {tag}{late}"
        return f"{owner.name} is {owner.state} and {said}"
    for unit in line.units:
        if unit.horn & bit:
            return f"{unit.name} is {unit.state} and {wants} {tag}: it sounds before motion only"
    return f"{tag} is {'always' if demanded else 'not'} demanded"


def _devices(line: Line, index: int, bit: int) -> Check:
    good = bool(line.ready & bit)
    silent = line.silent_for(bit)
    if good:
        return Check("device", True, f"device {line.site.points[index].device} is good")
    text = f"silent: {', '.join(silent)}" if silent else "its devices have not all answered yet"
    return Check(
        "device", False, text, "check supply, plug, bus cable and unit number", by="machine"
    )


def _number(line: Line, index: int) -> list[Check]:
    """A set-point moves nothing by itself: what it is, and the station whose drive it tells."""
    point = line.site.points[index]
    text = f"{point.tag} = {line.outputs[index]:g} {point.unit}".rstrip()
    owner = next((p for p in line.parts if p.name == point.tag.rpartition(".")[0]), None)
    checks = [Check("value", True, f"{text}: a set-point, which moves nothing by itself")]
    checks += force_marks(line, point.tag)
    if why_by_hand.concerned(line, point):
        return [*checks, *why_by_hand.checks(line, point)]
    return checks if owner is None else [*checks, *_part(line, owner)]


# parts -------------------------------------------------------------------------------------------


def _part(line: Line, part: Part) -> list[Check]:
    """Rights, fault, wait, then every cause that keeps it from a gutter or an output off."""
    checks = [_rights(line, part), *_troubles(line, part)]
    kept = line.causes.stations.get(part.name)
    for number, row in enumerate(line.causes.rows):
        holds = number == kept or part.name in line.causes.keeps(number)
        off = bool(line.forbids(number) & part.mask)
        if holds or off:
            checks.append(cause_check(line, number, met=False))
        elif _concerns(row, part) and (row.priority is not None or line.causes.active[number]):
            checks.append(cause_check(line, number, met=True))
    late = f", time-out in {(part.due - line.now) / 1000:.1f} s" if part.due != NEVER else ""
    own = force_marks(line, part.name)
    return [*checks, *own, Check("state", True, f"{part.name} is {part.state}{late}")]


def _concerns(row: Cause, part: Part) -> bool:
    """The cause may switch one of the part's outputs off, or keep it from another gutter."""
    outputs = (row.blocks | row.bars) & part.mask
    return bool(outputs) or any(hold.station == part.name for hold in row.stations)


def _troubles(line: Line, part: Part) -> list[Check]:
    """The part's own fault, its wait, and what only a person's word ends."""
    checks = []
    if part.fault:
        alarm = line.alarms.standing.get(f"{part.name}.{part.fault}")
        text, do = (alarm.text, alarm.do) if alarm else (part.fault, "look at it; then unhold")
        checks.append(Check("fault", False, text, do, by="machine"))
    if part.state == "partial":
        text = f"the gutter at {part.name} is only partly done"
        do = f"partial {part.name} finish, redo or reject"
        checks.append(Check("gutter", False, text, do, by="command"))
    if isinstance(part, Lane) and part.state == "out_of_service":
        text = f"{part.name} is out of service, locked by {part.locked_by}"
        do = f"in-service {part.id}, by {part.locked_by} alone"
        checks.append(Check("service", False, text, do, by="command"))
    waiting = part.wait()
    if waiting is not None:
        checks.append(_wait(waiting))
    return checks


def _wait(waiting: tuple[bool, str]) -> Check:
    outside, text = waiting
    if outside:
        return Check("wait", False, text, "ends by itself", by="itself")
    return Check("wait", False, text, "a person at the machine", by="machine")


def _rights(line: Line, part: Part) -> Check:
    units = [part.unit] if part.unit is not None else list(line.units)
    moving = any(unit.moving for unit in units)
    text = "; ".join(f"{unit.name} is {unit.state}: {unit.reason}".rstrip(": ") for unit in units)
    if moving:
        return Check("unit", True, text)
    clears, by, act = _next_act(line, units[0])
    return Check("unit", False, text, clears, by=by, act=act)


# units -------------------------------------------------------------------------------------------


def _unit(line: Line, unit: Unit) -> list[Check]:
    """Its state, the causes that ask something of it or keep it from starting, its parts."""
    working = unit.state == "Execute"
    clears, by, act = ("", "", "") if working else _next_act(line, unit)
    text = f"{unit.name} is {unit.state}: {unit.reason}".rstrip(": ")
    checks = [Check("state", working, text, clears, by=by, act=act)]
    if not working and (against := unit.mode_against()):
        clears, by, act = _next_act(line, unit)
        checks.insert(0, Check("mode", False, against, clears, by=by, act=act))
    if barred := line.recovery.bars():
        by = "command" if line.recovery.judged else "itself"
        checks.insert(0, Check("recovery", False, barred, "recover, answer by answer", by=by))
    if unit is line.sowing and line.changeover.stands:
        checks.append(_changeover(line))
    for number in range(len(line.causes.rows)):
        asks = any(name == unit.name for name, _ in line.causes.asks(number))
        bars = unit.name in line.causes.bars_start(number)
        if asks or (bars and not working):
            checks.append(cause_check(line, number, met=False))
        elif number in line.causes.bypassed and unit.name in line.causes.rows[number].units:
            checks.append(cause_check(line, number, met=True))
    if unit.state == "Suspended":
        checks.append(_return(line, unit))
    for part in unit.parts:
        checks += _troubles(line, part)
    return checks


def _changeover(line: Line) -> Check:
    """How far it is; unmet while nothing may be started."""
    change = line.changeover
    if change.bars() is None:
        return Check("changeover", True, change.text())
    return Check("changeover", False, change.text(), "command hopper-changed LOT", by="command")


def _return(line: Line, unit: Unit) -> Check:
    """Whether a suspended unit may carry on by itself."""
    if unit.stays():
        text = "it will not carry on by itself: something happened, or something is set by a person"
        return Check("return", False, text, "a person: unhold, once it is held", by="command")
    left_s = (unit.due - line.now) / 1000
    return Check("return", True, f"it may carry on by itself for another {left_s:.0f} s")


_ACTS = {
    "Stopped": ("reset", "command reset, then start"),
    "Idle": ("start", "command start"),
    "Held": ("unhold", "command unhold"),
    "Aborted": ("clear", "command clear, then reset, then start"),
    "Complete": ("reset", "command reset, then start"),
}


def _next_act(line: Line, unit: Unit) -> tuple[str, str, str]:
    """(in words, who, the command) that takes a unit on from its state."""
    if unit.mode_against() and unit.state in ("Stopped", "Idle"):
        text = line.release.get("production")
        if text:
            return f"production is not released: {text}", "machine", ""
        if refused := wrong_place(line, unit.name):
            return f"command mode production; first: {refused}", "machine", ""
        return "command mode production", "command", f"{unit.name} mode production"
    if unit.state in _ACTS:
        name, words = _ACTS[unit.state]
        if refused := wrong_place(line, unit.name):
            return f"{words}; first: {refused}", "machine", ""
        return words, "command", f"{unit.name} {name}"
    if unit.state == "Suspended":
        return "carries on by itself", "itself", ""
    if unit.state in WARNED:
        return "moves once horn and beacon have been proven", "itself", ""
    return "ends by itself", "itself", ""
