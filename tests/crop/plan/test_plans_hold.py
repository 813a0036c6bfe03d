"""Every plan can be done, gutter by gutter; what is sown is kept when it is planned again."""

from __future__ import annotations

import random
from dataclasses import replace

import pytest
from lane_by_lane import Lanes
from test_against_enumeration import NEAR, cheapest, small_case

from linectl.crop.plan import stages
from linectl.crop.plan.answer import first_plan, make_plan
from linectl.crop.plan.model import Case, CropDays, LaneFacts, Stock

CROPS = {"leaf": CropDays(5, 7), "slow": CropDays(7, 9), "rocket": CropDays(4, 6)}


def farm(days: int = 16, holes: int = 0, crops: tuple[str, ...] = tuple(CROPS)) -> Case:
    """Four invented lanes of 20 slots, as daily shifts have left them; a day off a week."""
    lanes = []
    for number, first in enumerate(("leaf", "leaf", "slow", "rocket"), 1):
        due = CROPS[first]
        stock = tuple(
            Stock(first, 4 if age > 1 else 4 - holes, due.ripe - age, due.late - age)
            for age in range(5, 0, -1)
        )
        accepted = (first, *(crop for crop in crops if crop != first))
        lanes.append(LaneFacts(number, 20, accepted, stock))
    demand = {}
    for day in range(days):
        if day % 7 != 6:
            demand |= {("leaf", day): 7, ("slow", day): 3, ("rocket", day): 4 + day % 2}
    capacity = tuple(0 if day % 7 == 6 else 18 for day in range(days))
    return Case(days, CROPS, tuple(lanes), demand, capacity, 12, changeovers=2)


@pytest.mark.parametrize(
    "case",
    [
        farm(9),
        farm(8, holes=1),
        farm(8, crops=("leaf",)),
        replace(farm(7), lanes=tuple(replace(lane, stock=()) for lane in farm().lanes)),
    ],
    ids=["full lanes", "with holes", "few crops accepted", "empty lanes"],
)
def test_a_plan_can_be_done_gutter_by_gutter(case):
    plan = make_plan(case, lambda: 60.0, 0.3)
    lanes = Lanes(case).play(plan)  # crops, order, ripeness and room are asserted on the way
    for key in {*case.demand, *lanes.pulled}:
        over = lanes.pulled[key] - case.demand.get(key, 0)
        assert (plan.surplus.get(key, 0), plan.short.get(key, 0)) == (max(over, 0), max(-over, 0))


@pytest.mark.parametrize("seed", range(3, 9))
def test_settling_the_sowing_misses_no_more(seed):
    case = small_case(seed)
    before, after = first_plan(case, lambda: 5.0, 0.0), make_plan(case, lambda: 5.0, 0.0)
    Lanes(case).play(after)
    assert sum(after.short.values()) <= sum(before.short.values())


@pytest.mark.parametrize("seed", range(3, 9))
def test_solving_in_stages_gives_a_plan_no_cheaper_than_the_best_and_a_bound_below_it(
    seed, monkeypatch
):
    monkeypatch.setattr(stages, "SMALL", -1)
    case = small_case(seed)
    plan, best = first_plan(case, lambda: 5.0, 0.0), cheapest(case)
    assert plan.bound - NEAR <= best <= plan.cost + NEAR
    assert Lanes(case).play(plan).cost == pytest.approx(plan.cost, abs=NEAR)


def test_what_is_sown_is_kept_when_it_is_planned_again():
    """Ten days followed by people who are late on most of them, so that a day's rest is for the
    next; then yields are found to be lower, and it is planned again from what really stands."""
    case, chance = farm(12), random.Random(5)
    lanes, left = Lanes(case), {lane.id: ([], []) for lane in case.lanes}
    plan = make_plan(case, lambda: 60.0, 0.3)
    for day in range(10):
        for row in plan.of_day(day):
            left[row.lane][0].extend(crop for crop, n in row.sow for _ in range(n))
            left[row.lane][1].extend(crop for crop, n in row.pull for _ in range(n))
        share = chance.choice((0.4, 0.7, 1.0))
        lanes.day(day, {lane: _done(lanes, lane, day, *left[lane], share) for lane in left})
    standing = {lane: [gutter.crop for gutter in lanes.lanes[lane]] for lane in left}
    lower = {key: n + n // 5 for key, n in case.demand.items()}
    again = replace(lanes.case_after(10), demand={(c, d - 10): n for (c, d), n in lower.items()
                                                  if d >= 10})  # fmt: skip
    assert sum(len(sow) for sow, _ in left.values()) > 0, "nobody was late"
    second = make_plan(again, lambda: 60.0, 0.3)
    Lanes(again).play(second)
    for lane, crops in standing.items():
        pulled = [crop for row in second.rows if row.lane == lane for crop, n in row.pull
                  for _ in range(n)]  # fmt: skip
        assert pulled[: len(crops)] == crops[: len(pulled)]


def _done(lanes, lane, day, sow, pull, share):
    """What people get done of a lane's list: what stands at the tail and is ripe goes out."""
    room = lanes.case.capacity[day] // len(lanes.lanes)
    ripe = [gutter for gutter in lanes.lanes[lane] if gutter.ripe <= day]
    count = min(round(share * len(pull)), len(ripe), len(sow), room)
    if any(gutter.ripe > day for gutter in list(lanes.lanes[lane])[:count]):
        count = 0
    out = tuple((gutter.crop, 1) for gutter in list(lanes.lanes[lane])[:count])
    entering = tuple((crop, 1) for crop in sow[:count])
    del sow[:count], pull[:count]
    return out, entering


def test_without_a_shift_or_a_lane_nothing_moves_and_all_is_missed():
    case = farm(5)
    at_rest = make_plan(replace(case, capacity=(0,) * 5), lambda: 2.0)
    assert (at_rest.rows, at_rest.short) == ((), dict(case.demand))
    assert make_plan(replace(case, lanes=()), lambda: 2.0).short == dict(case.demand)


def test_when_the_time_is_too_short_nothing_moves_rather_than_a_wrong_plan(monkeypatch):
    case = farm(16)
    monkeypatch.setattr(stages, "relax", lambda program, s: stages.Solution(None, None, 0, False))
    monkeypatch.setattr(stages, "SMALL", 0)
    plan = make_plan(case, lambda: 2.0)
    assert plan.short == dict(case.demand)
    assert not plan.proven
