"""What stands in the lanes when a rehearsal begins: full, empty, or a part from the mouth on."""

from __future__ import annotations

from linectl.crop.pace import DAY_MS
from linectl.image import Slot
from linectl.site.crops import Crop
from linectl.site.machine import Lane
from linectl.site.model import Site


def standing(site: Site, share: float) -> list[Slot]:
    """Slots filled from each lane's mouth to `share` (0–1) of its length, oldest at the far end.

    Each lane holds its first-listed crop, with the ages that daily shifts at the crop's days
    would have left; crops of less than two days are spread evenly over theirs.
    """
    slots: list[Slot] = []
    gutter = 1
    for lane in site.file.lanes:
        crop = site.crops.crops[lane.crops[0]]
        places = _places(lane)
        count = round(len(places) * share)
        for number in range(count - 1, -1, -1):  # the oldest has the lowest id
            age = _age_ms(site, crop, number, len(places))
            slots.append(
                Slot(places[number], gutter, lane.crops[0], -age, crop.ripe_after_ms - age)
            )
            gutter += 1
    return slots


def _places(lane: Lane) -> list[str]:
    return [
        f"{lane.prefix}.{run.name}.{number}" for run in lane.runs for number in range(run.slots)
    ]


def _age_ms(site: Site, crop: Crop, number: int, slots: int) -> int:
    """Age of the gutter `number` slots from the mouth at the start of a shift."""
    if crop.days_ms < 2 * DAY_MS:
        return crop.days_ms * (number + 1) // slots
    a_day = slots * DAY_MS / crop.days_ms
    days, place = divmod(number, a_day)
    into_shift = site.file.shift.length_ms * (1 - (place + 0.5) / a_day)
    return round((days + 1) * DAY_MS - into_shift)
