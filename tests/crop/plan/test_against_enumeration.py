"""On small cases the plan costs what the cheapest of all ways costs, tried gutter by gutter."""

from __future__ import annotations

import os
import random
from collections import Counter
from functools import lru_cache
from itertools import product

import pytest
from lane_by_lane import Lanes

from linectl.crop.plan.answer import first_plan
from linectl.crop.plan.model import ALONE_TAKTS, Case, Costs, CropDays, LaneFacts, Stock

NEAR = 1e-3
"""Costs differ by 0.01 and more; the solver holds its rows within a millionth, times 100."""


def cheapest(case: Case) -> float:
    """Least cost of all ways: each gutter gets its crop when it is sown, as on a line."""
    slots = [lane.slots for lane in case.lanes]

    @lru_cache(None)
    def from_(day: int, lanes: tuple) -> float:
        """lanes: (crop, day sown or None, ripe, late) of each gutter, tail first."""
        if day == case.days:
            return 0.0
        ways = [_lane_days(case, n, lane, slots[n], day) for n, lane in enumerate(lanes)]
        best = float("inf")
        for way in product(*ways):
            if sum(sown for sown, *_ in way) <= case.capacity[day]:
                cost = sum(cost for *_, cost in way) + _day_cost(case, day, way)
                if cost < best:
                    best = min(best, cost + from_(day + 1, tuple(after for _, _, after, _ in way)))
        return best

    start = tuple(
        tuple((p.crop, None, p.ripe, p.late) for p in lane.stock for _ in range(p.gutters))
        for lane in case.lanes
    )
    return from_(0, start)


def _lane_days(case: Case, number: int, standing: tuple, slots: int, day: int) -> list:
    """All that a lane may do: (gutters sown, crops pulled, what stands then, cost)."""
    facts, costs, found = case.lanes[number], case.costs, {}
    slowest = max(case.crops[crop].late for crop in facts.crops)
    holes = slots - len(standing)
    for sown in range(min(case.capacity[day], case.lane_capacity) + 1):
        pulled, rest = standing[: max(0, sown - holes)], standing[max(0, sown - holes) :]
        if sown - holes > len(standing) or any(ripe > day for _, _, ripe, _ in pulled):
            break
        new = [(case.crops[crop], crop) for crop, on, *_ in pulled if on is not None]
        order = [(-due.ripe, -due.late, crop) for due, crop in new]
        if order != sorted(order):  # within a lane's day the slower crops leave first
            continue
        late = sum(on is not None and late <= day for _, on, _, late in pulled)
        cost = costs.late * late
        for crops in product(facts.crops, repeat=sown):
            inserted = tuple(
                (crop, day, day + case.crops[crop].ripe, day + case.crops[crop].late)
                for crop in crops
            )
            after = rest + inserted
            over = sum((late if on is None else on + slowest) <= day for _, on, _, late in after)
            total = cost + over * costs.standing_late + costs.hole * (slots - len(after))
            found[sown, after] = (sown, tuple(crop for crop, *_ in pulled), after, total)
    return list(found.values())


def _day_cost(case: Case, day: int, way: tuple) -> float:
    total, takts, by_crop = 0.0, 0.0, {}
    for lane, (_, pulled, _, _) in enumerate(way):
        for crop, n in Counter(pulled).items():
            by_crop.setdefault(crop, {})[lane] = n
    for crop in {*by_crop, *(crop for crop, on in case.demand if on == day)}:
        lanes = by_crop.get(crop, {})
        over = sum(lanes.values()) - case.demand.get((crop, day), 0)
        total += over * case.costs.surplus if over > 0 else -over * case.costs.short
        takts += max([sum(lanes.values()), *(ALONE_TAKTS * n for n in lanes.values())])
    return total + max(0.0, takts - case.capacity[day]) * case.costs.over


def small_case(seed: int) -> Case:
    """An invented case of one or two short lanes, a few days, two crops or three."""
    rng = random.Random(seed)
    names = ("a", "b", "c")[: rng.choice((2, 2, 3))]
    crops = {}
    for name in names:
        ripe = rng.randint(1, 3)
        crops[name] = CropDays(ripe, ripe + rng.randint(1, 2))
    days = rng.choice((4, 5)) if len(names) < 3 else 4
    lanes = []
    for number in range(rng.choice((1, 2)) if len(names) < 3 else 1):
        slots = rng.randint(1, 3)
        accepted = tuple(rng.sample(names, rng.randint(1, len(names))))
        stock, age, late = [], rng.randint(0, 1), 0
        for _ in range(rng.choice((slots, slots, rng.randint(0, slots)))):
            crop = rng.choice(names)
            age += rng.randint(0, 1)
            late = max(late, age + rng.randint(0, 2))  # who came first is late first
            stock.append(Stock(crop, 1, age - 1, late))
        lanes.append(LaneFacts(number + 1, slots, accepted, tuple(stock)))
    demand = {
        (name, day): rng.randint(1, 2)
        for name in names
        for day in range(days)
        if rng.random() < 0.6
    }
    capacity = tuple(rng.choice((0, 2, 3, 3)) for _ in range(days))
    costs = Costs(
        surplus=rng.choice((1.0, 3.0)), late=rng.choice((2.0, 60.0)),
        standing_late=rng.choice((0.05, 7.0)), over=rng.choice((0.5, 9.0)),
        hole=rng.choice((0.02, 4.0)),
    )  # fmt: skip
    return Case(days, crops, tuple(lanes), demand, capacity, rng.choice((2, 3)), costs=costs)


CASES = range(300) if os.environ.get("LINECTL_CAMPAIGN") == "full" else range(3, 19)


@pytest.mark.parametrize("seed", CASES)
def test_plan_costs_as_little_as_the_cheapest_of_all_ways(seed):
    case = small_case(seed)
    plan = first_plan(case, lambda: 20.0, 0.0)
    assert plan.proven
    assert plan.cost == pytest.approx(cheapest(case), abs=NEAR)
    assert Lanes(case).play(plan).cost == pytest.approx(plan.cost, abs=NEAR)
