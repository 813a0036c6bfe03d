"""The kinds of alarm that the line raises by itself: which parts have them, where to look.

An alarm's tag is `part.kind` (`fill.no_exit`, `lane3.stroke`), `kind_name` for what follows from
the hardware (`silent_io_sower`, `supply_AE1`), `kind.name` for what a person has been granted
(`bypass.drive_fill`) or has not named (`lot.seed`), or the kind alone (`mutual_wait`). Alarms of a
site's own causes have the cause's name. A test holds that no code raises a kind that is not here.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import NamedTuple

from linectl.site.machine import Lane, Station

BELTS = ("magazine", "fill", "tamp", "water", "seed", "turn")
DRAWING = BELTS[1:]
"""Belts that draw a gutter in past their entry eye; the magazine drops it in."""
TOOLS = ("fill", "water", "seed")
CARRIAGES = ("infeed", "outfeed")
PARTS = (*BELTS, *CARRIAGES, "turnout", "lane")
_BELT_POINTS = ("entry_eye", "exit_eye", "running")


@dataclass(frozen=True)
class AlarmKind:
    """One kind. `parts`: kinds of station; lane, or a lane with a lift or a level joint; unit;
    device; silent and supply, whose tags begin with the kind; line; record (`ledger.late`);
    granted (`bypass.NAME`); loaded (`lot.seed`)."""

    name: str
    parts: tuple[str, ...]
    roles: tuple[str, ...] = ()
    """Points to look at: the part's, or with a dot another station's by its kind, those it has.
    None: the help says in words where to look."""
    vital: bool = False
    """Never shelved nor put out of service."""


KINDS = (
    # any part that moves
    AlarmKind("cut", PARTS),
    AlarmKind("ledger", PARTS),
    # belts
    AlarmKind("stray", (*BELTS, *CARRIAGES, "turnout"),
              ("entry_eye", "exit_eye", "on_board", "centred")),
    AlarmKind("early", DRAWING, _BELT_POINTS),
    AlarmKind("no_entry", DRAWING, _BELT_POINTS),
    AlarmKind("no_clear", DRAWING, _BELT_POINTS),
    AlarmKind("length", DRAWING, _BELT_POINTS),
    AlarmKind("no_exit", DRAWING, _BELT_POINTS),
    AlarmKind("lost", (*BELTS, *CARRIAGES, "turnout"),
              ("exit_eye", "on_board", "gripped", "centred")),
    # magazine
    AlarmKind("double", ("magazine",), ("single", "gate_home", "exit_eye")),
    AlarmKind("gate", ("magazine",), ("gate_home", "exit_eye", "single")),
    AlarmKind("no_feed", ("magazine",), ("exit_eye", "gate_home", "not_empty")),
    # tools
    AlarmKind("belt", TOOLS, ("running", "drive_ok")),
    AlarmKind("no_count", ("water", "seed"), ("flow_pulses", "seed_counter")),
    AlarmKind("partial", (*TOOLS, "tamp"), ("entry_eye", "exit_eye")),
    AlarmKind("clamp", ("tamp",), ("clamped",)),
    AlarmKind("press", ("tamp",), ("press_up", "press_down")),
    AlarmKind("dose", ("water",), ("flow_pulses", "supply_ok")),
    AlarmKind("count", ("seed",), ("seed_counter", "seed_level")),
    AlarmKind("vacuum", ("seed",), ("vacuum", "drum_running")),
    AlarmKind("first", ("seed",), ("exit_eye",)),
    # turntables
    AlarmKind("runs_on", ("tamp", "turn"), ("running",)),
    AlarmKind("centred", ("turn", "turnout"), ("centred",)),
    AlarmKind("turn", ("turn", "turnout"), ("at_0", "at_90", "centred")),
    AlarmKind("handover", ("turnout",), ("packing.taken", "exit_eye", "centred")),
    AlarmKind("handshake", ("turnout",), ("packing.taken", "packing.ready")),
    # carriages
    AlarmKind("gripper", CARRIAGES, ("gripper_home", "gripper_out", "on_board")),
    AlarmKind("travel", CARRIAGES, ("position", "flag", "running")),
    AlarmKind("grip", CARRIAGES, ("gripped", "on_board")),
    AlarmKind("dropped", CARRIAGES, ("gripped", "on_board")),
    AlarmKind("shifted", CARRIAGES, ("position", "flag", "running")),
    AlarmKind("no_lane", ("infeed",), ("on_board",)),
    # lanes
    AlarmKind("mouth", ("lane",), ("first_eye",)),
    AlarmKind("stroke", ("lane",), ("home", "forward", "overload_ok")),
    AlarmKind("home", ("lane",), ("home",)),
    AlarmKind("lift", ("lift",), ("at_up", "at_down", "brake_released")),
    AlarmKind("between", ("lift",), ("at_up", "at_down")),
    AlarmKind("load", ("lift",), ("on_board", "low_clear", "high_clear", "last_eye")),
    AlarmKind("unload", ("lift", "joint"), ("on_board", "low_clear", "high_clear", "first_eye")),
    AlarmKind("cross", ("joint",), ("joint_clear", "last_eye", "first_eye")),
    # the line as a whole
    AlarmKind("wet", ("water", "seed", "turn", "infeed"), ("exit_eye", "centred", "on_board")),
    AlarmKind("warning", ("unit",), ("horn_on", "beacon_on"), vital=True),
    AlarmKind("mutual_wait", ("line",)),
    AlarmKind("recovery", ("line",), vital=True),
    AlarmKind("clock", ("line",)),
    AlarmKind("lot", ("loaded",)),
    AlarmKind("disk", ("record",), vital=True),
    # what people keep from acting, or say in the machine's place: bypass.drive_fill, force.TAG
    AlarmKind("bypass", ("granted",), vital=True),
    AlarmKind("force", ("granted",), vital=True),
    AlarmKind("override", ("granted",), vital=True),
    # what the field remarks of a device, and what follows from the hardware
    AlarmKind("not_taken", ("device",), vital=True),
    AlarmKind("refused", ("device",), vital=True),
    AlarmKind("claimed", ("device",), vital=True),
    AlarmKind("late", ("device", "record")),
    AlarmKind("silent", ("silent",), vital=True),
    AlarmKind("supply", ("supply",), vital=True),
)  # fmt: skip
BY_NAME: Mapping[str, AlarmKind] = {kind.name: kind for kind in KINDS}


class Raised(NamedTuple):
    """An alarm that a site can raise: its kind, and the part, device or supply that has it."""

    kind: AlarmKind
    part: str


def raised_by(
    stations: Mapping[str, Station],
    lanes: Iterable[Lane],
    units: Iterable[str],
    devices: Iterable[str],
    supplies: Iterable[str],
) -> dict[str, Raised]:
    """Every alarm beside those of its causes that such a site can raise, by tag."""
    having: dict[str, list[str]] = {
        "line": [""],
        "granted": [""],
        "loaded": ["substrate", "seed", "packing"],
        "record": ["ledger"],
        "unit": list(units),
        "device": list(devices),
    }
    having["silent"] = having["device"]
    having["supply"] = list(supplies)
    for lane in lanes:
        levels = {transfer.kind == "level" for transfer in lane.transfers}
        joints = [family for family, level in (("lift", False), ("joint", True)) if level in levels]
        for family in ("lane", *joints):
            having.setdefault(family, []).append(lane.prefix)
    for name, station in stations.items():
        having.setdefault(station.kind, []).append(name)
    return {
        tag_of(kind.name, family, part): Raised(kind, part)
        for kind in KINDS
        for family in kind.parts
        for part in having.get(family, ())
    }


def tag_of(kind: str, family: str, part: str) -> str:
    """The tag of a kind's alarm at a part of that family."""
    if family in ("line", "granted"):
        return kind
    if family == "loaded":
        return f"{kind}.{part}"
    return f"{kind}_{part}" if family in ("silent", "supply") else f"{part}.{kind}"
