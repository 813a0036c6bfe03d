"""A plan's case from a site, its orders, and what stands in its lanes."""

from __future__ import annotations

import datetime as dt
from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from math import ceil, floor

from linectl.crop.lanes import gutters_in_shift
from linectl.crop.pace import DAY_MS
from linectl.crop.plan.demand import blend_kg, gutters_for
from linectl.crop.plan.model import Case, CropDays, LaneFacts, Stock
from linectl.crop.site_takt import site_takt
from linectl.image import Slot
from linectl.site.crops import Crop
from linectl.site.machine import Lane
from linectl.site.model import Site

LATE_AFTER_MS = 2 * DAY_MS
"""A gutter is late two days after its crop's days (common practice, no source) …"""
LATE_SHARE = 0.1
"""… but no later than this share of them, for crops that stand a few days only."""
WAITS = 1.08
"""Takts that a gutter takes over a whole shift, short waits for holes and the packing hall counted
(65 s at a takt of 60 s in rehearsals of config/fennmark that followed a plan)."""
_NOT_PLANNED = ("resting", "out_of_service")

Asked = Mapping[tuple[str, int], float]
"""Kilograms of a crop ordered for a day."""


def days_of(crop: Crop, shift_ms: int) -> CropDays:
    """A crop's days in whole ones.

    Ripe: the last gutter sown in a shift is ripe when the shift of that day begins, so that no
    gutter of it is waited for. Late: the first sown is, when the shift begins.
    """
    ripe = max(1, ceil((crop.ripe_after_ms + shift_ms) / DAY_MS))
    spare = min(LATE_AFTER_MS, crop.days_ms * LATE_SHARE)
    return CropDays(ripe, max(ripe + 1, floor((crop.days_ms + spare) / DAY_MS) + 1))


def gutter_ms(site: Site) -> float:
    """Time for a gutter over a whole shift, which is a takt of the plan."""
    return WAITS * max(site.file.takt_ms, site_takt(site).possible_ms)


def asked_kg(
    orders: Iterable[tuple[dt.date, str, float]], site: Site, first: dt.date, days: int
) -> dict[tuple[str, int], float]:
    """Kilograms by crop and day of orders (date, blend or crop, kg) that fall into the plan."""
    asked: dict[tuple[str, int], float] = defaultdict(float)
    for date, blend, kg in orders:
        day = (date - first).days
        if 0 <= day < days:
            for crop, part in blend_kg(kg, blend, site.crops).items():
                asked[crop, day] += part
    return dict(asked)


def case_of(
    site: Site, slots: Sequence[Slot], asked: Asked, first: dt.date, days: int, sure: float
) -> Case:
    """The case of a plan for `days` days from `first` on.

    slots: what stands, times in ms from the beginning of the first day's shift. sure: probability
    that a crop's gutters of a day suffice (see demand). Raises ValueError for what cannot be.
    """
    file, takt = site.file, site_takt(site)
    each_ms = gutter_ms(site)
    a_shift = floor(gutters_in_shift(site.sowing_ms, each_ms))
    slowest_ms = max(lane.cycle_ms for lane in takt.lanes)
    dates = [first + dt.timedelta(days=day) for day in range(days)]
    crops = {name: days_of(crop, file.shift.length_ms) for name, crop in site.crops.crops.items()}
    standing = _by_lane(slots)
    return Case(
        days=days,
        crops=crops,
        lanes=tuple(
            _lane(lane, standing.get(lane.prefix, []), crops)
            for lane in file.lanes
            if lane.programme not in _NOT_PLANNED
        ),
        demand={
            key: gutters_for(kg, site.crops.crops[key[0]], sure) for key, kg in asked.items() if kg
        },
        capacity=tuple(a_shift if file.shift.works_on(date) else 0 for date in dates),
        lane_capacity=floor(gutters_in_shift(site.sowing_ms, slowest_ms)),
        changeovers=file.sowing.changeovers,
        changeover_takts=file.sowing.changeover_ms / each_ms,
    )


def _by_lane(slots: Sequence[Slot]) -> dict[str, list[Slot]]:
    found: dict[str, list[Slot]] = defaultdict(list)
    for slot in slots:
        found[slot.place.split(".", 1)[0]].append(slot)
    return found


def _lane(lane: Lane, slots: list[Slot], crops: Mapping[str, CropDays]) -> LaneFacts:
    places: dict[str, int] = {}
    for number, run in enumerate(lane.runs):
        places |= {f"{lane.prefix}.{run.name}.{slot}": len(places) + slot
                   for slot in range(run.slots)}  # fmt: skip
        if number < len(lane.transfers):
            places[f"{lane.prefix}.{lane.transfers[number].name}"] = len(places)
    in_order = sorted(slots, key=lambda slot: -places[slot.place])
    stock: list[Stock] = []
    for slot in in_order:
        sown = floor(slot.sown_at / DAY_MS)
        due = crops.get(slot.crop)
        # of a gutter that nobody has named nobody knows when it is late
        late = sown + due.late if due else DAY_MS
        part = Stock(slot.crop, 1, ceil(slot.ripe_at / DAY_MS), late)
        if stock and (stock[-1].crop, stock[-1].ripe, stock[-1].late) == (
            part.crop, part.ripe, part.late,
        ):  # fmt: skip
            part = Stock(part.crop, stock.pop().gutters + 1, part.ripe, part.late)
        stock.append(part)
    # a gutter on a lift is in the lane, and in no slot
    return LaneFacts(lane.id, max(lane.slots, len(slots)), lane.crops, tuple(stock))
