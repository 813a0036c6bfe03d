"""The lanes of a site looked at: from its ledger, or full as its crops' days would leave them."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from functools import partial
from typing import Any

from linectl.errors import UsageError
from linectl.ledger.lane_reading import LaneRecord, reach, read_lanes
from linectl.ledger.shift_reading import CropDays, Standing
from linectl.runtime.lane_ages import lane_ages
from linectl.runtime.lane_pace import LanePace, Works, lane_paces
from linectl.runtime.lane_rates import SHIFTS, bounds_ms, daily_shifts, given, shifts_to_come
from linectl.runtime.lane_words import sentence, tolerance_words
from linectl.runtime.shift_calendar import local
from linectl.runtime.standing import standing
from linectl.site.model import Site


@dataclass(frozen=True)
class LaneLook:
    """All lanes at a time. ledger: empty if they were reckoned."""

    site: Site
    ledger: str
    at_ms: int | None
    """Unix ms; None if reckoned, at the start of some shift."""
    lanes: tuple[LanePace, ...]
    crops: dict[str, CropDays]
    """Days as the gutters that stand have them."""

    def told(self) -> dict[str, Any]:
        """The object of `lanes --json`."""
        at = None if self.at_ms is None else local(self.at_ms).isoformat(timespec="seconds")
        return {
            "site": self.site.name,
            "ledger": self.ledger or None,
            "at": at,
            "tolerance": tolerance_words(),
            "lanes": [
                {**lane.told(), "sentence": sentence(lane, self.site)} for lane in self.lanes
            ],
        }


def look_at_ledger(
    site: Site, path: str, now_ms: int, said: Mapping[int, float] | None = None, late: int = 0,
    shifts: int = SHIFTS, at_ms: int | None = None,
) -> LaneLook:  # fmt: skip
    """What stands by the ledger. at_ms: as of then instead of now.

    Raises LedgerUnreachable; UsageError for a time before the record's end, which no longer knows
    what stood then.
    """
    there = reach(path, site.name)
    when_ms = max(now_ms, there.last_ms) if at_ms is None else at_ms
    if when_ms < there.last_ms:
        end, then = f"{local(there.last_ms):%Y-%m-%d %H:%M}", f"{local(when_ms):%Y-%m-%d %H:%M}"
        raise UsageError(
            f"ledger {path}: it tells what stands at its end, {end}, and later; what stood at"
            f" {then} it does not know"
        )
    record = read_lanes(path, bounds_ms(site.file.shift, shifts, when_ms, there.first_ms))
    works = partial(shifts_to_come, site.file.shift, when_ms)
    return LaneLook(
        site, path, when_ms, _paces(site, record, when_ms, said or {}, works, late), record.crops
    )


def look_at_full(site: Site, said: Mapping[int, float], late: int = 0) -> LaneLook:
    """Full lanes as daily shifts at the crops' days would leave them, at a shift's start."""
    places = {
        f"{lane.prefix}.{run.name}.{slot}": (lane.id, f"{lane.prefix}.{run.name}", slot)
        for lane in site.file.lanes
        for run in lane.runs
        for slot in range(run.slots)
    }
    slots = tuple(
        Standing(*places[slot.place], slot.gutter, slot.crop, slot.sown_at)
        for slot in standing(site, 1.0)
    )
    crops = {
        name: CropDays(crop.days_ms, crop.ripe_after_ms) for name, crop in site.crops.crops.items()
    }
    works = partial(daily_shifts, site.file.shift)
    paces = _paces(site, LaneRecord(slots, crops, ()), 0, said, works, late)
    return LaneLook(site, "", None, paces, crops)


def _paces(
    site: Site, record: LaneRecord, at_ms: int, said: Mapping[int, float], works: Works, late: int
) -> tuple[LanePace, ...]:
    ages = lane_ages(site, record.slots, record.crops, at_ms)
    return tuple(lane_paces(site, ages, record.crops, given(site, record, said), works, late))
