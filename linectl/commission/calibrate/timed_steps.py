"""Which states of which part wait for a motion's end, and which time-out of site.yaml bounds each.

What the time-out of a state is now is asked of the line itself; what is here are only the names.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import NamedTuple

from linectl.line import Line
from linectl.line.part import Part
from linectl.site.model import Site
from linectl.site.sheet import TreePath

_TURN = {"turning": "turn_timeout", "turning_back": "turn_timeout"}
_CARRIAGE = {
    "fetching": "travel_timeout", "travelling": "travel_timeout",
    **dict.fromkeys(("stowing", "reaching", "lifting", "offering", "withdrawing"),
                    "gripper_timeout"),
}  # fmt: skip
KEYS: Mapping[str, Mapping[str, str]] = {
    "magazine": {"opening": "gate_timeout", "closing": "gate_timeout"},
    "tamp": {"pressing": "press_timeout", "rising": "press_timeout"},
    "turn": _TURN,
    "turnout": {**_TURN, "handing": "handover_timeout", "parting": "handover_timeout"},
    "infeed": _CARRIAGE,
    "outfeed": _CARRIAGE,
}
"""By kind of station: the state, and the time-out that is its own."""
GEOMETRY = frozenset(
    (
        *("entering", "leading", "tooling", "settling", "counting", "still", "clamping"),
        *("opening", "gripping", "releasing"),
    )
)
"""States whose time-out the line computes from lengths and speeds: shown, and never proposed."""
_RUN = ("stroking", "returning")
_TRANSFER = ("fetching", "loading", "carrying", "unloading", "crossing")


class StepName(NamedTuple):
    """One step: part and state; `of`: a lane's run or transfer, else empty."""

    part: str
    of: str
    state: str

    def __str__(self) -> str:
        return ".".join(filter(None, (self.part, self.of, self.state)))


@dataclass(frozen=True)
class TimedStep:
    """A step that must end in time."""

    name: StepName
    timeout_ms: int
    """What bounds it now."""
    path: TreePath | None
    """Where site.yaml has that time-out; None: it follows from lengths and speeds."""


@dataclass(frozen=True)
class TimedPart:
    """A part whose steps are watched."""

    name: str
    units: tuple[str, ...]
    """Units that let it move: its own, or for a lane either."""
    rest: str
    """The state in which its cycles begin and end."""


def timed_parts(site: Site) -> dict[str, TimedPart]:
    """Stations and lanes, by name."""
    line = Line(site)
    both = tuple(unit.name for unit in line.units)
    return {
        part.name: TimedPart(
            part.name, both if part.unit is None else (part.unit.name,), part.TABLE.initial
        )
        for part in line.parts
    }


def timed_steps(site: Site) -> dict[StepName, TimedStep]:
    """Every step with a time-out, in the order of site.yaml."""
    line = Line(site)
    found: dict[StepName, TimedStep] = {}
    for name, facts in site.file.stations.items():
        if name not in line.stations:
            continue  # packing: its time-out bounds the turn-out's steps
        for step in _of_station(site, line.stations[name], facts.kind):
            found[step.name] = step
    for place, lane in enumerate(line.lanes.lanes):
        for number, run in enumerate(lane.facts.runs):
            lane.which = number
            for state in _RUN:
                path: TreePath = ("lanes", place, "runs", number, "timeout")
                step_name = StepName(lane.name, run.name, state)
                found[step_name] = TimedStep(step_name, lane.timeout(state), path)
        for number, transfer in enumerate(lane.facts.transfers):
            lane.which = number
            level = transfer.kind == "level"
            for state in ("crossing",) if level else _TRANSFER[:-1]:
                path = ("lanes", place, "transfers", number, "timeout")
                step_name = StepName(lane.name, transfer.name, state)
                found[step_name] = TimedStep(step_name, lane.timeout(state), path)
    return found


def _of_station(site: Site, part: Part, kind: str) -> Iterator[TimedStep]:
    keys = KEYS.get(kind, {})
    for state in dict.fromkeys(part.TABLE.moves.values()):  # as the table goes through them
        if state not in keys and state not in GEOMETRY:
            continue
        key = keys.get(state)
        path: TreePath | None = None
        if key == "handover_timeout":
            hall = next(n for n, facts in site.file.stations.items() if facts.kind == "packing")
            path = ("stations", hall, key)
        elif key is not None:
            path = ("stations", part.name, key)
        yield TimedStep(StepName(part.name, "", state), part.timeout(state), path)
