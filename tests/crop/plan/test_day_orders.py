"""The orders of all days at once: as good as trying every order of every day."""

from __future__ import annotations

import datetime as dt
import random
from itertools import permutations, product

import pytest

from linectl.crop.plan.day_orders import Sown, best_orders
from linectl.crop.plan.model import Case, CropDays, LaneDay, LaneFacts, joined
from linectl.crop.plan.sequence import Block, changes, over_takts, sowing_order
from linectl.runtime.planning import PlannedDay
from linectl.site.plan_file import Allot, Day

DAYS = 3


def case_and_parts(seed: int) -> tuple[Case, list[Sown]]:
    """Two or three lanes; each sows two or three crops a day, all of a day in one part."""
    rng = random.Random(seed)
    names = "abc"[: rng.randint(2, 3)]
    lanes = range(1, rng.randint(2, 3) + 1)
    parts = [
        Sown(lane, day, tuple((crop, rng.randint(1, 6)) for crop in names if rng.random() < 0.8))
        for lane in lanes
        for day in range(DAYS)
    ]
    crops = {name: CropDays(5, 9) for name in names}
    facts = tuple(LaneFacts(lane, 90, tuple(names)) for lane in lanes)
    shift = (rng.randint(8, 25),) * DAYS
    return Case(DAYS, crops, facts, {}, shift, 25, 2, 3.0), [part for part in parts if part.rows]


def cost(case: Case, parts: list[Sown], rows) -> tuple[float, int]:
    """Takts over the shifts, and changes of crop, when the parts are sown in these orders."""
    drum, over, count = "", 0.0, 0
    for day in range(DAYS):
        of_day = zip(parts, rows, strict=True)
        sown = [LaneDay(p.lane, day, (), joined(row)) for p, row in of_day if p.day == day]
        blocks = sowing_order(sown, drum)
        over += max(0.0, over_takts(case, day, blocks, drum))
        count += changes(blocks, drum)
        drum = blocks[-1].crop if blocks else drum
    return over, count


@pytest.mark.parametrize("seed", range(25))
def test_no_order_of_crops_by_day_fits_better(seed):
    case, parts = case_and_parts(seed)
    found = best_orders(case, parts)
    assert [sorted(rows) for rows in found] == [sorted(part.rows) for part in parts]
    orders = list(permutations(sorted({crop for part in parts for crop, _ in part.rows})))
    tried = [
        [tuple(sorted(p.rows, key=lambda row, p=p: ways[p.day].index(row[0]))) for p in parts]
        for ways in product(orders, repeat=DAYS)
    ]
    assert cost(case, parts, found) <= min(cost(case, parts, rows) for rows in tried)


def long_day(takts: float) -> PlannedDay:
    pull = (Allot(1, "a", 4), Allot(2, "b", 3), Allot(3, "a", 2))
    return PlannedDay(Day(dt.date(2026, 6, 1), (), pull), (Block("a", ((1, 9),)),), 0, takts, 10.0)


def test_a_day_longer_than_its_shift_names_what_is_pulled_last():
    """4 of a, 3 of b, 2 of a are pulled. Six takts too long: the last 2 of a, 3 of b, 1 of a."""
    assert long_day(16.0).too_late() == {"a": 3, "b": 3}
    assert long_day(11.5).too_late() == {"a": 2}
    assert long_day(99.0).too_late() == {"a": 6, "b": 3}


def test_a_day_that_fits_names_nothing():
    assert long_day(10.0).too_late() == {}
    assert not long_day(10.0).is_long
