"""Each lane's pace: what it must give a day for its crops' days, what it gives, what follows."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from statistics import mean
from typing import Any

from linectl.crop import density, seeds
from linectl.crop.lateness import (
    Grown,
    Off,
    Outlook,
    Rates,
    Stands,
    Work,
    leaving,
    missed,
    outlook,
    rates,
)
from linectl.crop.pace import DAY_MS, tolerance_ms
from linectl.crop.pitch import gaps_mm, own_mm
from linectl.ledger.shift_reading import CropDays
from linectl.runtime.lane_ages import LaneAges, SlotAge
from linectl.runtime.lane_rates import Given
from linectl.site.crops import Crop
from linectl.site.machine import Lane
from linectl.site.model import Site

Works = Callable[[float], Iterable[Work]]
"""The shifts to come, from gutters a day on the mean of a week."""


@dataclass(frozen=True)
class LanePace:
    """A lane as it stands, and how it will come out. Days are days of the calendar.

    rates, given, outlook, late: None where nothing stands, or nobody knows the rate.
    """

    ages: LaneAges
    stands: tuple[Stands, ...]
    """From the tail on; holes left out."""
    rates: Rates | None
    days: float | None
    """Mean of its gutters' crops' days; None in an empty lane."""
    given: Given | None
    outlook: Outlook | None
    late: Grown | None
    missed: int
    decks: tuple[Mapping[str, Any], ...]
    """By run: its name, slots, first and last pitch, and its row from middle to middle."""
    along: tuple[density.Along, ...]
    """Density over age, for the crop at the tail, or the first that the lane accepts."""
    crop: str
    """That crop."""

    @property
    def crops(self) -> Counter[str]:
        """Gutters by crop."""
        return Counter(slot.crop for slot in self.ages.slots if slot.state != "hole")

    @property
    def verdict(self) -> str:
        """early, late, on pace; unknown where there is no rate."""
        if self.outlook is None:
            return "unknown"
        first = self.outlook.first
        return "on pace" if first is None else "late" if first.days > 0 else "early"

    def told(self) -> dict[str, Any]:
        """The row of `lanes --json`, and of `report --json`.

        keeps: gutters a day that keep the days, and the slowest and fastest within tolerance.
        gives: as counted (shifts > 0) or said. first: when a tail is first out of its tolerance;
        most: the one that is so most; in_days from now, late_days below 0 if early. missed: what
        so many gutters not taken would do, over when all that stand now are out.
        """
        tail = self.ages.slots[-1]
        seen = self.outlook
        return {
            "lane": self.ages.lane,
            "slots": len(self.ages.slots),
            "standing": len(self.stands),
            "crops": dict(self.crops),
            "decks": [dict(deck) for deck in self.decks],
            "plants_m2": {
                "crop": self.crop,
                "mouth": round(self.along[0].plants_m2, 2),
                "tail": round(self.along[-1].plants_m2, 2),
            },
            "tail": {"crop": tail.crop, "days": tail.days},
            "days": self.days,
            "keeps": None if self.rates is None else self.rates._asdict(),
            "gives": None if self.given is None else self.given._asdict(),
            "verdict": self.verdict,
            "first": None if seen is None else _off(seen.first),
            "most": None if seen is None else _off(seen.most),
            "unripe_in_days": None if seen is None else seen.unripe_in,
            "missed": None if self.late is None else {
                "gutters": self.missed, "tail_days": self.late.tail,
                "mean_days": self.late.mean, "over_in_days": self.days,
            },
        }  # fmt: skip


def lane_paces(
    site: Site, ages: Sequence[LaneAges], crops: Mapping[str, CropDays],
    given: Mapping[int, Given], works: Works, late: int = 0,
) -> list[LanePace]:  # fmt: skip
    """Of every lane. crops: days as the gutters have them; works: the shifts to come at a rate;
    late: gutters missed, to see what comes of it."""
    by_id = {lane.id: lane for lane in site.file.lanes}
    return [
        _pace(site, by_id[each.lane], each, crops, given.get(each.lane), works, late)
        for each in ages
    ]


def _pace(
    site: Site, lane: Lane, ages: LaneAges, crops: Mapping[str, CropDays], given: Given | None,
    works: Works, late: int,
) -> LanePace:  # fmt: skip
    usual = site.crops.crops[lane.crops[0]]
    stands = tuple(
        _stands(slot, crops.get(slot.crop) or _days(usual))
        for slot in reversed(ages.slots)
        if slot.state != "hole"
    )
    days = mean(each.days for each in stands) if stands else None
    name = ages.slots[-1].crop or lane.crops[0]
    crop = site.crops.crops.get(name, usual)
    gaps = [gaps_mm(run.slots, run.pitch_mm) for run in lane.runs]
    own = [mm for each in gaps for mm in own_mm(each)]
    spacing = crop.spacing_mm or _spacing(site, crop)
    return LanePace(
        ages=ages,
        stands=stands,
        rates=None if days is None else rates(
            len(stands), days, mean(each.tolerance for each in stands)
        ),
        days=days,
        given=given,
        outlook=None if given is None or not stands else outlook(
            stands, leaving(len(stands), works(given.a_day))
        ),
        late=missed(len(stands), days, late) if days is not None and late else None,
        missed=late,
        decks=tuple(
            {"run": run.name, "slots": run.slots, "pitch_mm": [each[0], each[-1]],
             "row_mm": sum(each)}
            for run, each in zip(lane.runs, gaps, strict=True)
        ),
        along=tuple(density.along(own, crop.days_ms / DAY_MS, spacing, crop.rows)),
        crop=name,
    )  # fmt: skip


def _stands(slot: SlotAge, crop: CropDays) -> Stands:
    tolerance = tolerance_ms(crop.days_ms) / DAY_MS
    return Stands(slot.days, crop.days_ms / DAY_MS, crop.ripe_after_ms / DAY_MS, tolerance)


def _days(crop: Crop) -> CropDays:
    return CropDays(crop.days_ms, crop.ripe_after_ms)


def _spacing(site: Site, crop: Crop) -> float:
    """Cells of a row, spread evenly, where the file wants no spacing."""
    length_mm = site.file.gutter.length_mm
    return seeds.spacing_mm(length_mm, crop.seeds_per_gutter, crop.seeds_per_cell, crop.rows)


def _off(off: Off | None) -> dict[str, float] | None:
    return None if off is None else {"in_days": off.in_days, "late_days": off.days}
