"""Ages by lane: each slot from mouth to tail, and if its gutter is ahead of its crop's days."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from typing import Any, NamedTuple

from linectl.crop.pace import DAY_MS, Pace, due_age_ms, pace
from linectl.ledger.shift_reading import CropDays, Standing
from linectl.site.machine import Lane
from linectl.site.model import Site


class SlotAge(NamedTuple):
    """A slot of a lane. `place` counts from the lane's mouth (0) over all its runs.

    state: gutter, hole or unknown. days: age of its gutter; due_days: its age at an even pace;
    both None where nobody knows.
    """

    place: int
    name: str
    state: str
    gutter: int | None
    crop: str
    days: float | None
    due_days: float | None
    pace: Pace | None
    ripe: bool
    over: bool
    """Older than its crop's days."""


class LaneAges(NamedTuple):
    """A lane's slots from mouth to tail; joints: the places at which a further run begins."""

    lane: int
    slots: tuple[SlotAge, ...]
    joints: tuple[int, ...]

    def summary(self) -> dict[str, Any]:
        """How many stand how; what the report prints."""
        states = Counter(slot.state for slot in self.slots)
        paces = Counter(slot.pace for slot in self.slots)
        aged = [slot for slot in self.slots if slot.days is not None]
        tail = self.slots[-1]
        return {
            "lane": self.lane,
            "slots": len(self.slots),
            "filled": states["gutter"] + states["unknown"],
            "holes": states["hole"],
            "unknown": states["unknown"],
            "ahead": paces[Pace.AHEAD],
            "on_pace": paces[Pace.ON_PACE],
            "behind": paces[Pace.BEHIND],
            "ripe": sum(slot.ripe for slot in self.slots),
            "over_days": sum(slot.over for slot in self.slots),
            "oldest_days": max((slot.days for slot in aged if slot.days is not None), default=None),
            "tail_days": tail.days,
            "tail_crop": tail.crop,
        }


def lane_ages(
    site: Site, slots: Sequence[Standing], crops: Mapping[str, CropDays], at_ms: int
) -> list[LaneAges]:
    """Of every lane, at that time (Unix ms)."""
    standing = {(slot.run, slot.slot): slot for slot in slots}
    return [_lane(lane, standing, crops, at_ms) for lane in site.file.lanes]


def _lane(
    lane: Lane,
    standing: Mapping[tuple[str, int], Standing],
    crops: Mapping[str, CropDays],
    at_ms: int,
) -> LaneAges:
    total = sum(run.slots for run in lane.runs)
    found: list[SlotAge] = []
    joints: list[int] = []
    for run in lane.runs:
        if found:
            joints.append(len(found))
        name = f"{lane.prefix}.{run.name}"
        for slot in range(run.slots):
            there = standing.get((name, slot))
            found.append(_slot(len(found), total, f"{name}.{slot}", there, crops, at_ms))
    return LaneAges(lane.id, tuple(found), tuple(joints))


def _slot(
    place: int, total: int, name: str, there: Standing | None, crops: Mapping[str, CropDays],
    at_ms: int,
) -> SlotAge:  # fmt: skip
    if there is None:
        return SlotAge(place, name, "hole", None, "", None, None, None, False, False)
    state = "gutter" if there.gutter >= 0 else "unknown"
    gutter = there.gutter if there.gutter >= 0 else None
    crop = crops.get(there.crop)
    if there.sown_ms is None or crop is None:
        return SlotAge(place, name, state, gutter, there.crop, None, None, None, False, False)
    age_ms = at_ms - there.sown_ms
    due_ms = due_age_ms(place, total, crop.days_ms)
    return SlotAge(
        place, name, state, gutter, there.crop, age_ms / DAY_MS, due_ms / DAY_MS,
        pace(age_ms, due_ms, crop.days_ms), age_ms >= crop.ripe_after_ms, age_ms > crop.days_ms,
    )  # fmt: skip
