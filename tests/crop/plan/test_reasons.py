"""What a plan says of an order that it misses: what is in the way, and until when."""

from __future__ import annotations

from dataclasses import replace

import pytest

from linectl.crop.plan.answer import make_plan
from linectl.crop.plan.model import Case, CropDays, LaneFacts, Stock
from linectl.crop.plan.reasons import reasons

CROPS = {"leaf": CropDays(5, 7), "rocket": CropDays(4, 6)}
LANE = LaneFacts(3, 4, ("leaf",), (Stock("leaf", 4, 0, 2),))
CASE = Case(3, CROPS, (LANE,), {("rocket", 1): 2}, (9, 9, 9), 9)


@pytest.mark.parametrize(
    ("case", "said"),
    [
        (CASE, "no lane accepts it, and none of it stands"),
        (
            replace(CASE, lanes=(replace(LANE, crops=("leaf", "rocket")),)),
            "none of it is left in the lanes; sown on day 0 it is ripe on day 4",
        ),
        (replace(CASE, capacity=(9, 0, 9)), "no shift begins on this day"),
        (
            replace(CASE, lanes=(replace(LANE, stock=(Stock("leaf", 2, 2, 4),
                                                      Stock("rocket", 2, 2, 4))),)),
            "lane 3: the next is ripe on day 2",
        ),
        (
            replace(CASE, lanes=(replace(LANE, stock=(Stock("leaf", 2, 3, 4),
                                                      Stock("rocket", 2, 1, 4))),)),
            "lane 3: it stands behind 2 gutters of leaf, not ripe before day 3",
        ),
        (
            replace(CASE, capacity=(1, 1, 1), lanes=(replace(LANE, stock=(Stock("rocket", 4, 0, 9),
                                                                          )),)),
            "the shift is full: 1 gutters; lane 3: what is ripe of it is kept for other days",
        ),
    ],
    ids=["not accepted", "none stands", "no shift", "not ripe", "behind others", "shift full"],
)  # fmt: skip
def test_a_missed_order_has_its_reason(case, said):
    plan = make_plan(case, lambda: 5.0, 0.0)
    assert ("rocket", 1) in plan.short
    assert reasons(case, plan, lambda day: f"day {day}")["rocket", 1] == said


def test_days_on_which_another_order_had_the_lane_are_named():
    case = replace(CASE, days=9, capacity=(9,) * 9, demand={("rocket", 8): 1, ("leaf", 8): 4},
                   lanes=(replace(LANE, crops=("leaf", "rocket")),))  # fmt: skip
    plan = make_plan(case, lambda: 5.0, 0.0)
    (why,) = reasons(case, plan, lambda day: f"day {day}").values()
    assert why
