"""A lane's pace in one sentence: what keeps its days, what it gives, and what comes of that."""

from __future__ import annotations

from linectl.crop.lateness import Off
from linectl.runtime.lane_pace import LanePace
from linectl.site.durations import format_duration
from linectl.site.model import WEEKDAYS, Site

MINUTE_DAYS = 1 / 1440


def sentence(lane: LanePace, site: Site) -> str:
    """For a person; the tolerance it is held against is `tolerance_words`."""
    words = f"lane {lane.ages.lane}: "
    if lane.rates is None or lane.days is None:
        return words + "nothing stands in it"
    mean = " on the mean of its crops" if len(lane.crops) > 1 else ""
    words += f"{_number(lane.rates.keeps)} a day keep {_days(lane.days)}{mean}"
    week = len(site.file.shift.days)
    if week < len(WEEKDAYS):
        a_shift = lane.rates.keeps * len(WEEKDAYS) / week
        words += f" ({_number(a_shift)} a shift on {week} days a week)"
    if lane.given is None:
        return f"{words}; no finished shift in the record tells what it gives"
    a_day = _number(lane.given.a_day)
    if lane.given.shifts == 0:
        words += f", with {a_day}"
    elif lane.given.shifts == 1:
        words += f", the last shift gave {a_day}"
    else:
        words += f", the last {lane.given.shifts} shifts gave {a_day}"
    if lane.given.a_day == 0:
        return f"{words}: {_follows(lane)}, and ages a day each day until it is taken"
    return f"{words}: {_follows(lane)}"


def tolerance_words() -> str:
    """What counts as in time."""
    return "in time is within 1 day of the crop's days, or within 5 % of fewer than 20"


def _follows(lane: LanePace) -> str:
    seen = lane.outlook
    if seen is None or seen.first is None or seen.most is None:
        parts = ["in time"]
    elif seen.first.in_days <= 0:
        parts = [f"the tail is {_way(seen.now or seen.first)} now"]
        if seen.most.in_days > 0 and _way(seen.most) != _way(seen.now or seen.first):
            parts.append(f"and will be {_way(seen.most)} in {_days(seen.most.in_days)}")
    else:
        parts = [f"the tail will be {_way(seen.first)} in {_days(seen.first.in_days)}"]
        if _way(seen.most) != _way(seen.first):
            parts.append(f"{_way(seen.most)} in {_days(seen.most.in_days)}")
    text = ", ".join(parts)
    if seen is not None and seen.unripe_in is not None:
        when = f"in {_days(seen.unripe_in)}" if seen.unripe_in > 0 else "now"
        text += f"; unripe at the tail {when}: harvest waits there"
    return text


def _way(off: Off) -> str:
    return f"{_days(abs(off.days))} {'late' if off.days > 0 else 'early'}"


def _days(days: float) -> str:
    """Days with one decimal; less than one in hours and minutes."""
    if days < MINUTE_DAYS / 2:
        return "0 days"
    if days < 1:
        return format_duration(max(1, round(days / MINUTE_DAYS)) * 60_000)
    return f"{_number(days)} day{'' if _number(days) == '1' else 's'}"


def _number(value: float) -> str:
    """With one decimal, none where it is whole."""
    return f"{value:.1f}".removesuffix(".0")
