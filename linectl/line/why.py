"""Why something does not move, from the very tables that the scan runs on.

Each answer is a list of checks from the demand down to the device, the unmet ones first.
"""

from __future__ import annotations

from dataclasses import asdict, dataclass
from typing import TYPE_CHECKING, Any

from linectl.errors import UsageError
from linectl.line.cause_rows import Cause
from linectl.line.inputs import NEVER
from linectl.line.part import Part
from linectl.line.units import Unit

if TYPE_CHECKING:
    from linectl.line.line import Line


@dataclass(frozen=True)
class Check:
    """One link of the chain: what it is, whether it is met, in words, and who can clear it.

    `points` are the tags it stands on; whoever shows it adds their age.
    """

    step: str
    met: bool
    text: str
    clears: str = ""
    points: tuple[str, ...] = ()


def why(line: Line, name: str) -> list[dict[str, Any]]:
    """Checks for an output's tag, a station, a lane or a unit, unmet first.

    Raises UsageError for a name that is none of these; an input's tag is answered by its quality.
    """
    checks = _checks(line, name)
    return [asdict(check) for check in sorted(checks, key=lambda check: check.met)]


def _checks(line: Line, name: str) -> list[Check]:
    unit = next((unit for unit in line.units if unit.name == name), None)
    if unit is not None:
        return _unit(line, unit)
    part = next((part for part in line.parts if part.name == name), None)
    if part is not None:
        return _part(line, part)
    index = line.site_io.get(name)
    if index is None:
        raise UsageError(f"{name!r} is no tag, station, lane or unit of this site")
    if line.site.points[index].direction == "in":
        return [_point(line, index)]
    return _output(line, index)


def _output(line: Line, index: int) -> list[Check]:
    bit = line.bit(index)
    tag = line.site.points[index].tag
    checks = []
    owner = next((part for part in line.parts if part.mask & bit), None)
    if owner is not None:
        demanded = bool(owner.demand() & bit)
        text = f"{owner.name} is {owner.state}" + (
            "" if demanded else f": it does not demand {tag}"
        )
        checks.append(Check("demand", demanded, text, _clears(owner)))
        checks += _rights(line, owner)
    checks += [_cause(line, n, row) for n, row in enumerate(line.causes.rows) if row.blocks & bit]
    checks.append(Check("device", bool(line.ready & bit), _device_text(line, index, bit)))
    return checks


def _device_text(line: Line, index: int, bit: int) -> str:
    device = line.site.points[index].device
    good = "good" if line.ready & bit else "silent, or a device of its station is"
    return f"device {device} is {good}"


def _part(line: Line, part: Part) -> list[Check]:
    checks = _rights(line, part)
    if part.fault:
        text = line.alarms.standing.get(f"{part.name}.{part.fault}")
        checks.append(
            Check("fault", False, text.text if text else part.fault, text.do if text else "")
        )
    waiting = part.wait()
    if waiting is not None:
        checks.append(
            Check("wait", False, waiting[1], "ends by itself" if waiting[0] else "a person")
        )
    number = line.causes.stations.get(part.name)
    if number is not None:
        checks.append(_cause(line, number, line.causes.rows[number]))
    checks += [
        _cause(line, n, row)
        for n, row in enumerate(line.causes.rows)
        if row.blocks & part.mask and (row.priority is not None or line.causes.active[n])
    ]
    checks.append(Check("state", True, f"{part.name} is {part.state}", _clears(part)))
    return checks


def _rights(line: Line, part: Part) -> list[Check]:
    units = [part.unit] if part.unit is not None else list(line.units)
    moving = any(unit.moving for unit in units)
    text = "; ".join(f"{unit.name} is {unit.state}: {unit.reason}".rstrip(": ") for unit in units)
    return [Check("unit", moving, text, "" if moving else _next_command(units[0]))]


def _unit(line: Line, unit: Unit) -> list[Check]:
    working = unit.state == "Execute"
    checks = [Check("state", working, f"{unit.name} is {unit.state}: {unit.reason}".rstrip(": "),
                    _next_command(unit))]  # fmt: skip
    against = line.causes.actions.get(unit.name)
    if against is not None:
        checks.append(_cause(line, against[1], line.causes.rows[against[1]]))
    for part in unit.parts:
        waiting = part.wait()
        if waiting is not None:
            clears = "ends by itself" if waiting[0] else "a person at the machine"
            checks.append(Check("wait", False, waiting[1], clears))
        if part.fault:
            checks += [check for check in _part(line, part) if check.step == "fault"]
    return checks


def _cause(line: Line, number: int, row: Cause) -> Check:
    active = line.causes.active[number]
    points = tuple(line.site.points[test.index].tag for test in row.tests)
    bad = not all(line.inputs.good[test.index] for test in row.tests)
    text = row.text if active else f"not: {row.text}"
    if active and bad and not row.silence:
        text = f"{line.cause_text(number)}: counts as {row.text}"
    if active and not line.causes.present[number]:
        text += " (gone, but latched until interlock reset)"
    step = "permissive" if row.priority is None else "cause"
    return Check(step, not active, text, row.do if active else "", points)


def _point(line: Line, index: int) -> Check:
    point = line.site.points[index]
    good = line.inputs.good[index]
    if point.is_bool:
        value = "1" if line.inputs.on[index] else "0"
    else:
        value = f"{line.inputs.value[index]:g} {point.unit}".rstrip()
    text = f"{point.tag} = {value}" if good else f"{point.tag}: no good reading from {point.device}"
    return Check("point", good, text, "" if good else "check the device", (point.tag,))


def _clears(part: Part) -> str:
    return f"time-out in {(part.due - part.line.now) / 1000:.1f} s" if part.due != NEVER else ""


def _next_command(unit: Unit) -> str:
    following = {
        "Stopped": "command reset, then start", "Idle": "command start", "Held": "command unhold",
        "Aborted": "command clear, then reset, then start", "Complete": "command reset, then start",
        "Suspended": "carries on by itself",
    }  # fmt: skip
    return following.get(unit.state, "")
