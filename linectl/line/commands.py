"""Persons' commands: what each does, and why one is refused.

stop, hold and abort are taken from anywhere, always. What can lead to motion is taken only from
the control place that the selector at the machine chooses.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING

from linectl.crop import setpoints
from linectl.image import Command, Event
from linectl.line import grant_commands, gutter_commands, lane_commands, walk_round
from linectl.line.alarm_commands import ALARM_ACTS
from linectl.line.blend_commands import blend
from linectl.line.changeover_commands import changeover, first_gutter, hopper_changed
from linectl.line.day_commands import today
from linectl.line.lot_commands import LOT_ACTS
from linectl.line.recovery import answers
from linectl.line.tr88 import COMMANDS
from linectl.line.tuning import tune
from linectl.line.units import MODES, NOT_YET, Unit, wrong_place

if TYPE_CHECKING:
    from linectl.line.line import Line

ALWAYS = frozenset(
    ("stop", "hold", "abort", *grant_commands.ENDS, *ALARM_ACTS, *LOT_ACTS, "answer",
     "hopper-changed", "pulse-end")
)  # fmt: skip
"""Taken from anywhere: what brings to rest, what gives an interlock or a reading back, and what
leads to no motion."""


def obey(line: Line, command: Command) -> str | None:
    """Obey one command. None when taken, else the reason why not; both are told as events."""
    why = _try(line, command)
    text = f"{command.unit or 'line'} {command.name} {command.argument}".rstrip()
    data = {"accepted": why is None, "why": why, "by": command.by}
    line.emit(Event(line.now, "command", command.unit or "line", text, data))
    return why


def _try(line: Line, command: Command) -> str | None:
    unit = next((unit for unit in line.units if unit.name == command.unit), None)
    of_unit = command.name in COMMANDS or command.name in _UNIT_ACTS
    place = command.unit if of_unit else ""  # a lane is every zone's, whatever unit is named
    if command.name == "pulse":
        place = line.by_hand.place_of(command.argument.partition(" ")[0])
    if command.name not in ALWAYS and (why := wrong_place(line, place)):
        return why
    if command.name in COMMANDS:
        if unit is None:
            return f"{command.name} needs a unit: sowing or harvest"
        return unit.command(command.name, f"{command.name} by {command.by or 'a person'}")
    if command.name in _UNIT_ACTS:
        if unit is None:
            return f"{command.name} needs a unit: sowing or harvest"
        return _UNIT_ACTS[command.name](line, unit, command)
    if command.name in ALARM_ACTS:
        return ALARM_ACTS[command.name](line, command)
    if command.name in _OF_PLACES and not line.recovery.judged:
        return line.recovery.bars()
    if command.name in _LINE_ACTS:
        return _LINE_ACTS[command.name](line, command)
    known = ", ".join((*COMMANDS, *_UNIT_ACTS, *_LINE_ACTS, *ALARM_ACTS))
    return f"no command {command.name!r}; there are: {known}"


# units -------------------------------------------------------------------------------------------


def _mode(line: Line, unit: Unit, command: Command) -> str | None:
    mode = command.argument.replace("-", "_")
    if mode in NOT_YET:
        return f"mode {mode} needs the hard-wired devices of commissioning; it is refused for now"
    if mode not in MODES:
        return f"no mode {mode!r}; there are: {', '.join(MODES)}"
    if unit.state not in ("Stopped", "Idle", *(("Aborted",) if mode == "maintenance" else ())):
        beside = ", to maintenance in Aborted too"
        return f"{unit.name} is {unit.state}: the mode changes only in Stopped or Idle{beside}"
    if text := line.release.get(mode):
        return f"{unit.name} is not released for {mode}: {text}"
    if unit.mode == "maintenance" != mode:
        line.by_hand.moved.left()
    unit.mode = mode
    unit.touched = True
    line.causes.mode(unit.name, mode)
    line.interventions.mode_changed(unit)
    line.by_hand.pulses.mode_changed(unit)
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
    refused = setpoints.refusal(line.site, command.argument)
    if refused is not None:
        return refused
    if line.changeover.stands:
        return f"a changeover stands: {line.changeover.text()}"
    if line.crop_in_drum != command.argument:
        line.interventions.overrides.crop_changed()
    line.crop_in_drum = command.argument
    data = {"crop": command.argument}
    line.emit(Event(line.now, "crop_set", "sowing", f"{command.argument} in the drum", data))
    return None


def _skip(line: Line, unit: Unit, command: Command) -> str | None:
    return line.order.skip()


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
        row = line.causes.rows[number]
        line.alarms.clear(row.name)
        for unit in line.units:
            if unit.name in row.units:
                unit.touched = True  # somebody was at its machinery: it waits for a person
    line.changed = True


def _pulse(line: Line, command: Command) -> str | None:
    return line.by_hand.pulses.begin(command.argument, command.by)


def _pulse_end(line: Line, command: Command) -> str | None:
    return line.by_hand.pulses.end("person")


_UNIT_ACTS: dict[str, Callable[[Line, Unit, Command], str | None]] = {
    "mode": _mode,
    "run-out": _run_out,
    "crop": _crop,
    "changeover": changeover,
    "hopper-changed": hopper_changed,
    "first-gutter": first_gutter,
    "skip": _skip,
    "blend": blend,
}
_LINE_ACTS: dict[str, Callable[[Line, Command], str | None]] = {
    "interlock-reset": _interlock_reset,
    "lane-resume": lane_commands.resume,
    "advance-empty": lane_commands.advance_empty,
    "programme": lane_commands.programme,
    "out-of-service": lane_commands.lock,
    "in-service": lane_commands.unlock,
    "partial": gutter_commands.partial,
    "reject": gutter_commands.reject,
    "removed": gutter_commands.removed,
    "handed-over": gutter_commands.handed_over,
    "correct": walk_round.correct,
    "answer": answers.answer,
    "today": today,
    "pulse": _pulse,
    "pulse-end": _pulse_end,
    "tune": tune,
    **grant_commands.ACTS,
    **LOT_ACTS,
}
_OF_PLACES = frozenset(
    ("lane-resume", "advance-empty", "out-of-service", "in-service", "partial", "reject",
     "removed", "handed-over", "correct", "answer")
)  # fmt: skip
"""Commands about what stands where: not before that has been looked at since power-up."""
NAMES = (*COMMANDS, *_UNIT_ACTS, *_LINE_ACTS, *ALARM_ACTS)
"""Every command name, for help and for tests."""
