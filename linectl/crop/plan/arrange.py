"""The order of crops within a lane's day of pulls: neighbours of one crop joined where ages allow.

The program lets the slower crops leave first. Any other order in which every gutter is ripe, and
no more of them are late, is as good; and the one that goes on with the crop with which the day
before ended makes one row of two when the lane is sown.
"""

from __future__ import annotations

from bisect import bisect_left
from collections.abc import Mapping, Sequence
from itertools import accumulate, permutations

from linectl.crop.plan.model import CropDays, Row

_CROPS_MAX = 5
"""Crops of a lane and day up to which every order is tried."""


def arranged(
    crops: Mapping[str, CropDays], pulls: Sequence[Sequence[Row]], sown: Sequence[int]
) -> list[tuple[Row, ...]]:
    """A lane's pulls of what the plan has sown, day by day, each day's rows in a good order.

    pulls: rows by day, slower crops first. sown: gutters that the plan sows into the lane, by day.
    """
    upto = list(accumulate(sown))
    made: list[tuple[Row, ...]] = []
    gone, last = 0, ""
    for day, rows in enumerate(pulls):
        best = tuple(rows)
        if 1 < len(rows) <= _CROPS_MAX:
            allowed = _late(crops, best, gone, day, upto)
            for order in permutations(rows):
                late = _late(crops, order, gone, day, upto)
                if late is None or allowed is None or late > allowed:
                    continue
                if order[0][0] == last and best[0][0] != last:
                    best = order
        made.append(best)
        gone += sum(gutters for _, gutters in rows)
        last = best[-1][0] if best else last
    return made


def _late(
    crops: Mapping[str, CropDays], rows: Sequence[Row], gone: int, day: int, upto: Sequence[int]
) -> int | None:
    """Late gutters of a day's rows in that order; None if one would not be ripe."""
    late = 0
    for crop, gutters in rows:
        due = crops[crop]
        if bisect_left(upto, gone + gutters) > day - due.ripe:
            return None
        sown = upto[day - due.late] if day >= due.late else 0
        late += min(gutters, max(0, sown - gone))
        gone += gutters
    return late
