"""The points each kind of part needs: one table that check, line and plant all bind by.

A tag is `part.role`: `fill.entry_eye`, `lane3.germ.stroke`, `sowing.estop_ok`. Permissive
inputs are healthy = 1, so that a broken wire reads unhealthy; their names end in `_ok`,
`_clear` or say the healthy state.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal


@dataclass(frozen=True)
class Role:
    """One point a part has. `moves` marks an output that sets something in motion; a site may
    leave an `optional` one out."""

    name: str
    direction: Literal["in", "out"]
    kind: Literal["bool", "number", "counter"]
    text: str
    moves: bool = False
    optional: bool = False


def _eye(name: str, text: str) -> Role:
    return Role(name, "in", "bool", text)


def _on(name: str, text: str) -> Role:
    return Role(name, "in", "bool", text)


def _number(name: str, text: str) -> Role:
    return Role(name, "in", "number", text)


def _counter(name: str, text: str) -> Role:
    return Role(name, "in", "counter", text)


def _act(name: str, text: str) -> Role:
    return Role(name, "out", "bool", text, moves=True)


def _set(name: str, text: str) -> Role:
    return Role(name, "out", "number", text)


PERMISSIVES = (
    "estop_ok", "closed", "drive_ok", "isolator_on", "remote", "limits_ok", "overload_ok",
    "overtravel_ok", "swept_clear", "air_ok", "supply_ok",
)  # fmt: skip
"""Names of inputs that read 1 while all is well."""

CONVEYOR = (
    _eye("entry_eye", "eye at the entry: 1 = gutter in the beam"),
    _eye("exit_eye", "eye at the exit: 1 = gutter in the beam"),
    _on("running", "drive turns"),
    _on("drive_ok", "drive healthy: 0 = tripped"),
    _on("isolator_on", "isolator closed: 0 = locked off"),
    _on("remote", "local/remote switch: 1 = remote"),
    _act("run", "belt drive run"),
    _set("speed", "belt speed in mm/s"),
)

_TURNTABLE = (
    _on("at_0", "turntable at 0°"),
    _on("at_90", "turntable at 90°"),
    _eye("centred", "gutter lies centred on the turntable"),
    _on("swept_clear", "nobody and nothing in the swept area: 1 = clear"),
    _act("to_0", "turn to 0°"),
    _act("to_90", "turn to 90°"),
)

_CARRIAGE = (
    _number("position", "position along the lane ends in mm, true at standstill"),
    _on("flag", "lane flag: exactly in front of a lane or the turntable"),
    _on("running", "travel drive turns"),
    _on("drive_ok", "travel drive healthy: 0 = tripped"),
    _on("isolator_on", "isolator closed: 0 = locked off"),
    _on("remote", "local/remote switch: 1 = remote"),
    _on("limits_ok", "both end limits free"),
    _eye("on_board", "gutter on board"),
    _on("gripper_home", "gripper arm home"),
    _on("gripper_out", "gripper arm out"),
    _on("gripped", "gripper closed on a gutter"),
    _act("run", "travel to the target"),
    _set("target", "target position in mm"),
    _act("extend", "gripper arm out"),
    _act("retract", "gripper arm home"),
    Role("grip", "out", "bool", "gripper closed (holds the gutter)", moves=True),
)

STATION_ROLES: dict[str, tuple[Role, ...]] = {
    "magazine": (
        *CONVEYOR,
        _on("gate_home", "singulating gate home"),
        _on("not_low", "eye: 0 = magazine low"),
        _on("not_empty", "eye: 0 = magazine empty"),
        _on("single", "double-feed eye: 0 = more than one gutter"),
        _act("gate", "singulating gate: one cycle"),
    ),
    "fill": (
        *CONVEYOR,
        _number("hopper_level", "hopper contents in litres"),
        _on("doser_running", "doser turns"),
        _act("doser", "doser run"),
        _set("doser_rate", "doser rate in ml/s"),
    ),
    "tamp": (
        *CONVEYOR,
        _on("press_up", "press up"),
        _on("press_down", "press down"),
        _on("clamped", "clamp closed on a gutter"),
        _on("brush_running", "side brush turns"),
        _act("press", "press down while on, spring up"),
        _act("clamp", "clamp closed while on"),
        _act("brush", "side brush run"),
    ),
    "water": (
        *CONVEYOR,
        _counter("flow_pulses", "water meter pulses"),
        _on("supply_ok", "water supply pressure present"),
        _act("valve", "water valve open"),
        _set("flow_rate", "flow set-point of the control valve in ml/s"),
    ),
    "seed": (
        *CONVEYOR,
        _number("vacuum", "drum vacuum in kPa"),
        _on("drum_running", "drum turns"),
        _number("seed_level", "seed hopper contents in gutters' worth"),
        _counter("seed_counter", "seeds dropped"),
        _act("pump", "vacuum pump run"),
        _act("drum", "drum run, geared to the belt"),
        _set("drum_rate", "drum rate in seeds/s at belt speed"),
    ),
    "turn": (*CONVEYOR, *_TURNTABLE),
    "turnout": (*CONVEYOR, *_TURNTABLE),
    "infeed": _CARRIAGE,
    "outfeed": _CARRIAGE,
    "packing": (
        _on("ready", "packing takes the next gutter"),
        _on("taken", "packing has taken the gutter (pulse)"),
        Role("offer", "out", "bool", "a gutter is offered to packing"),
    ),
}

WEIGHING_ROLES = (
    _number("weight", "what the gutter gave, kg; it stands while weighed is on"),
    _on("weighed", "a weight stands: on for a second at least, off before the next"),
)
"""Of packing, where a scale is mapped."""

RUN_ROLES = (
    _on("home", "stroke home"),
    _on("forward", "stroke forward: the row has moved one slot"),
    _eye("first_eye", "gutter in the first slot"),
    _eye("last_eye", "gutter in the last slot"),
    _on("overload_ok", "run drive not overloaded"),
    _act("stroke", "stroke forward"),
    _act("back", "stroke back to home, fingers down"),
)

LIFT_ROLES = (
    _on("at_up", "lift at the upper level"),
    _on("at_down", "lift at the lower level"),
    _on("overtravel_ok", "neither overtravel switch tripped"),
    _on("low_clear", "nothing across the lower joint"),
    _on("high_clear", "nothing across the upper joint"),
    _eye("on_board", "gutter on the lift"),
    _on("brake_released", "lift brake released"),
    _act("up", "lift up"),
    _act("down", "lift down"),
    _act("brake", "release the lift brake"),
    _act("belt", "belt: in at the source level, out at the other"),
)

LEVEL_ROLES = (
    _on("joint_clear", "nothing across the joint"),
    _act("belt", "belt: take the gutter across the joint"),
)

ZONE_ROLES = (
    _on("estop_ok", "emergency stop circuit closed"),
    _on("safety_reset", "safety reset button at the zone (acts on release)"),
    _on("interlock_reset", "interlock reset button"),
    _on("remote_selected", "control place: 1 = control room, 0 = at the machine"),
    _on("air_ok", "air pressure present"),
    _on("horn_on", "start horn sounds (feedback)"),
    _on("beacon_on", "beacon lit (feedback)"),
    Role("horn", "out", "bool", "start horn"),
    Role("beacon", "out", "bool", "beacon"),
    Role("air", "out", "bool", "dump valve held shut: 1 = air on"),
    Role("enabling", "in", "bool", "enabling device of the zone: 1 = held", optional=True),
)

GUARD_ROLE = _on("closed", "guard closed")


def transfer_roles(kind: str) -> tuple[Role, ...]:
    """The roles of a transfer of that kind (`level`, `lift_up`, `lift_down`)."""
    return LEVEL_ROLES if kind == "level" else LIFT_ROLES
