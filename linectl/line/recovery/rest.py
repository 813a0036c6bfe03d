"""When the machine has come to rest after a power cut: which inputs show it, how long it takes."""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from linectl.line.line import Line

SLACK_MS = 500
"""Two polls of a slow device and a scan, on top of every computed time."""


def points_of(line: Line) -> frozenset[int]:
    """Inputs that show how things stand at stations and lanes; not what people and halls do."""
    names = {part.name for part in line.parts}
    names |= {name for lane in line.lanes.lanes for name in (*lane.runs, *lane.joints)}
    return frozenset(
        point.index
        for point in line.site.points
        if point.direction == "in" and point.is_bool and point.tag.rpartition(".")[0] in names
    )


def times_of(line: Line) -> tuple[int, int]:
    """(how long inputs must stand still, how long at least from the first good look).

    A device whose controller was lost lets go of its outputs after its watchdog; a belt then runs
    down, a gate, press or clamp springs back. Between two switches nothing changes while it
    moves, so rest is proven by the longest such motion without a change.
    """
    springs = ("ramp_ms", "gate_ms", "clamp_ms", "press_ms", "gripper_ms")
    facts = line.site.file.stations.values()
    motion = max(getattr(part, name, 0) for part in facts for name in springs)
    points = line.site.points
    delay = max(max(point.on_delay_ms, point.off_delay_ms) for point in points)
    watchdog = max((point.device_watchdog_ms or 0 for point in points), default=0)
    still = motion + delay + SLACK_MS
    return still, watchdog + still
