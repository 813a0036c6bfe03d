"""Persons' commands: what each does, and why one is refused.

stop, hold and abort are taken from anywhere, always. What can lead to motion is taken only from
the control place that the selector at the machine chooses.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING

from linectl.image import Command, Event
from linectl.line.inputs import NEVER
from linectl.line.lane import HOLE, Lane
from linectl.line.tr88 import COMMANDS
from linectl.line.units import MODES, NOT_YET, Unit

if TYPE_CHECKING:
    from linectl.line.line import Line

ALWAYS = frozenset(("stop", "hold", "abort"))


def obey(line: Line, command: Command) -> str | None:
    """Obey one command. None when taken, else the reason why not; both are told as events."""
    why = _try(line, command)
    text = f"{command.unit or 'line'} {command.name} {command.argument}".rstrip()
    data = {"accepted": why is None, "why": why, "by": command.by}
    line.emit(Event(line.now, "command", command.unit or "line", text, data))
    return why


def _try(line: Line, command: Command) -> str | None:
    unit = next((unit for unit in line.units if unit.name == command.unit), None)
    if command.name not in ALWAYS and (why := _wrong_place(line, command.unit)):
        return why
    if command.name in COMMANDS:
        if unit is None:
            return f"{command.name} needs a unit: sowing or harvest"
        return unit.command(command.name, f"{command.name} by {command.by or 'a person'}")
    if command.name in _UNIT_ACTS:
        if unit is None:
            return f"{command.name} needs a unit: sowing or harvest"
        return _UNIT_ACTS[command.name](line, unit, command)
    if command.name in _LINE_ACTS:
        return _LINE_ACTS[command.name](line, command)
    known = ", ".join((*COMMANDS, *_UNIT_ACTS, *_LINE_ACTS))
    return f"no command {command.name!r}; there are: {known}"


def _wrong_place(line: Line, unit: str) -> str | None:
    names = [unit] if unit in ("sowing", "harvest") else ["sowing", "harvest"]
    for name in names:
        index = line.site_io[f"{name}.remote_selected"]
        if line.inputs.off[index]:
            return f"the selector at {name} gives the control place to the machine"
    return None


# units -------------------------------------------------------------------------------------------


def _mode(line: Line, unit: Unit, command: Command) -> str | None:
    mode = command.argument.replace("-", "_")
    if mode in NOT_YET:
        return f"mode {mode} needs the hard-wired devices of commissioning; it is refused for now"
    if mode not in MODES:
        return f"no mode {mode!r}; there are: {', '.join(MODES)}"
    if unit.state not in ("Stopped", "Idle"):
        return f"{unit.name} is {unit.state}: the mode changes only in Stopped or Idle"
    unit.mode = mode
    unit.touched = True
    line.causes.mode(unit.name, mode)
    line.changed = True
    return None


def _run_out(line: Line, unit: Unit, command: Command) -> str | None:
    if unit.state not in ("Execute", "Suspended", "Held", "Idle"):
        return f"{unit.name} is {unit.state}: there is nothing to run out"
    unit.run_out = True
    line.changed = True
    return None


def _crop(line: Line, unit: Unit, command: Command) -> str | None:
    if command.argument not in line.crops:
        return f"no crop {command.argument!r}; there are: {', '.join(line.crops)}"
    line.crop_in_drum = command.argument
    line.changed = True
    return None


def _skip(line: Line, unit: Unit, command: Command) -> str | None:
    if line.ends.outfeed.wanted_crop() is None:
        return "this site has no harvest order: there is nothing to skip"
    line.ends.outfeed.order_at += 1
    line.changed = True
    return None


# line --------------------------------------------------------------------------------------------


def press_interlock_reset(line: Line, zone: str) -> None:
    """The interlock reset button of a zone: it resets also what is reset at the machine there."""
    data = {"accepted": True, "why": None, "by": f"button at {zone}"}
    line.emit(Event(line.now, "command", "line", "line interlock-reset", data))
    _reset_interlocks(line, zone)


def _interlock_reset(line: Line, command: Command) -> str | None:
    _reset_interlocks(line, "")
    return None


def _reset_interlocks(line: Line, zone: str) -> None:
    for number, _ in line.causes.reset_latches(line.inputs, zone):
        line.alarms.clear(line.causes.rows[number].name)
    for lane in line.lanes.lanes:
        if lane.state == "faulted":
            lane.retry(line.now)
    line.changed = True


def _lane(line: Line, text: str) -> Lane | None:
    number = text.removeprefix("lane")
    return line.lanes.by_id.get(int(number)) if number.isdigit() else None


def _no_lane(line: Line, text: str) -> str:
    return f"no lane {text!r}; there are: {', '.join(str(lane.id) for lane in line.lanes.lanes)}"


def _advance_empty(line: Line, command: Command) -> str | None:
    lane = _lane(line, command.argument)
    if lane is None:
        return _no_lane(line, command.argument)
    lane.advance_empty()
    line.changed = True
    return None


def _programme(line: Line, command: Command) -> str | None:
    words = command.argument.split()
    if len(words) != 2:
        return "programme LANE filling|steady|running_out|resting"
    lane = _lane(line, words[0])
    if lane is None:
        return _no_lane(line, words[0])
    if words[1] not in ("filling", "steady", "running_out", "resting"):
        return f"no programme {words[1]!r}: filling, steady, running_out or resting"
    lane.programme = words[1]
    line.changed = True
    return None


def _lock(line: Line, command: Command) -> str | None:
    lane = _lane(line, command.argument)
    if lane is None:
        return _no_lane(line, command.argument)
    if not command.by:
        return "say who locks it: out-of-service is under a person's name"
    if (lane.state, "lock") not in lane.TABLE.moves:
        return f"{lane.name} is {lane.state}: wait until it stands"
    line.alarms.clear(f"{lane.name}.{lane.fault}")
    lane.go("lock")
    lane.locked_by = command.by
    return None


def _unlock(line: Line, command: Command) -> str | None:
    lane = _lane(line, command.argument)
    if lane is None:
        return _no_lane(line, command.argument)
    if lane.state != "out_of_service":
        return f"{lane.name} is in service"
    if command.by != lane.locked_by:
        return f"{lane.name} was locked by {lane.locked_by}; only they unlock it"
    lane.go("unlock")
    lane.locked_by = ""
    return None


def _partial(line: Line, command: Command) -> str | None:
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


def _reject(line: Line, command: Command) -> str | None:
    return _take_off(line, command.argument, "reject")


def _removed(line: Line, command: Command) -> str | None:
    return _take_off(line, command.argument, "removed")


def _handed_over(line: Line, command: Command) -> str | None:
    if not line.ends.turnout.handed_over():
        return "no hand-over waits for packing's word"
    line.changed = True
    return None


def _take_off(line: Line, place: str, dest: str) -> str | None:
    """A person has taken the gutter off a station by hand; the eyes must agree."""
    lane = _lane(line, place)
    if lane is not None:
        return _off_transfer(line, lane, dest)
    part = line.stations.get(place)
    if part is None or not part.gutter:
        return f"the ledger has no gutter at {place!r}"
    if (part.state, "gone") not in part.TABLE.moves:
        return f"{place} is {part.state}: hold the unit and wait until it stands"
    for role in ("entry_eye", "exit_eye", "on_board", "centred"):
        index = line.site_io.get(f"{place}.{role}")
        if index is not None and not line.inputs.off[index]:
            return f"{place}.{role} still sees a gutter: take it off first, two people"
    line.alarms.clear(f"{part.name}.{part.fault}")
    line.abandon(part.number)
    gutter = part.gutter
    part.removed()  # type: ignore[attr-defined]
    _tell_taken(line, gutter, place, dest)
    line.alarms.clear(f"{place}.partial")
    line.alarms.clear(f"{place}.wet")
    return None


def _off_transfer(line: Line, lane: Lane, dest: str) -> str | None:
    fault, number = lane.fault, lane.number
    if why := lane.taken_off():
        return why
    place = lane.joints[lane.which]
    line.alarms.clear(f"{lane.name}.{fault}")
    line.abandon(number)
    _tell_taken(line, lane.gutter, place, dest)
    lane.gutter = 0
    return None


def _tell_taken(line: Line, gutter: int, place: str, dest: str) -> None:
    kind = "correct" if dest == "removed" else "reject"
    line.complete(line.intend(kind, gutter, place, dest))
    line.lanes.release(line.gutters.pop(gutter))


def _correct(line: Line, command: Command) -> str | None:
    """correct SLOT hole: the walk-round found nothing there."""
    words = command.argument.split()
    if len(words) != 2 or words[1] not in ("hole", "unknown"):
        return "correct SLOT hole|unknown, for example: correct lane1.germ.0 hole"
    stem, _, number = words[0].rpartition(".")
    for lane in line.lanes.lanes:
        if stem in lane.runs and number.isdigit():
            run = lane.slots[lane.runs.index(stem)]
            if int(number) >= len(run):
                return f"{stem} has slots 0 to {len(run) - 1}"
            gutter = run[int(number)]
            run[int(number)] = HOLE if words[1] == "hole" else -1
            if gutter > 0:
                line.complete(line.intend("correct", gutter, words[0], "removed"))
                line.gutters.pop(gutter, None)
            lane.open_since = NEVER
            line.alarms.clear(f"{lane.name}.mouth")
            line.changed = True
            return None
    return f"no slot {words[0]!r}"


_UNIT_ACTS: dict[str, Callable[[Line, Unit, Command], str | None]] = {
    "mode": _mode,
    "run-out": _run_out,
    "crop": _crop,
    "skip": _skip,
}
_LINE_ACTS: dict[str, Callable[[Line, Command], str | None]] = {
    "interlock-reset": _interlock_reset,
    "advance-empty": _advance_empty,
    "programme": _programme,
    "out-of-service": _lock,
    "in-service": _unlock,
    "partial": _partial,
    "reject": _reject,
    "removed": _removed,
    "handed-over": _handed_over,
    "correct": _correct,
}
NAMES = (*COMMANDS, *_UNIT_ACTS, *_LINE_ACTS)
"""Every command name, for help and for tests."""
