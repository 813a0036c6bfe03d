"""How long a 60-day plan for twenty lanes of 950 slots takes, and how far from the best it may be.

    PYTHONPATH=.:sim python tests/bench/plan_twenty_lanes.py [SECONDS]

Invented: four crops whose days are those of config/fennmark, every lane standing full with one of
them, a shift of 760 gutters, orders with a pattern of weekdays at nine tenths of that. SECONDS is
the solver's time limit, 55 if left out.
"""

from __future__ import annotations

import resource
import sys
import time
from collections import Counter

from linectl.crop.plan.answer import make_plan
from linectl.crop.plan.model import Case, CropDays, LaneFacts, Stock
from linectl.runtime.planning import counting_down

CROPS = {
    "leaf": CropDays(23, 27), "red_leaf": CropDays(25, 29), "slow": CropDays(28, 32),
    "rocket": CropDays(19, 23),
}  # fmt: skip
DAYS = {"leaf": 24, "red_leaf": 26, "slow": 29, "rocket": 20}
SHARES = {"leaf": 0.36, "red_leaf": 0.30, "slow": 0.14, "rocket": 0.20}
WEEK = (1.15, 1.0, 1.0, 1.1, 1.15, 0.9, 0.7)
FIRST = ("leaf", "leaf", "red_leaf", "red_leaf", "slow", "rocket")


def stock(crop: str, slots: int) -> tuple[Stock, ...]:
    """A lane as daily shifts at the crop's days have left it, the oldest first."""
    a_day = slots / DAYS[crop]
    ages = Counter(int(place // a_day) + 1 for place in range(slots))
    due = CROPS[crop]
    return tuple(
        Stock(crop, ages[age], due.ripe - age, due.late - age) for age in sorted(ages, reverse=True)
    )


def twenty_lanes(lanes: int = 20, slots: int = 950, shift: int = 760, load: float = 0.9) -> Case:
    """The case that is planned."""
    facts = []
    for number in range(lanes):
        first = FIRST[number % len(FIRST)]
        others = tuple(crop for crop in CROPS if crop != first)
        facts.append(LaneFacts(number + 1, slots, (first, *others), stock(first, slots)))
    demand = {
        (crop, day): round(shift * load * share * WEEK[day % 7] * 7 / sum(WEEK))
        for crop, share in SHARES.items()
        for day in range(60)
    }
    return Case(60, CROPS, tuple(facts), demand, (shift,) * 60, 380, changeovers=3)


def main() -> None:
    seconds = float(sys.argv[1]) if len(sys.argv) > 1 else 55.0
    case = twenty_lanes()
    begin = time.perf_counter()
    plan = make_plan(case, counting_down(seconds))
    took = time.perf_counter() - begin
    used = resource.getrusage(resource.RUSAGE_SELF)
    asked = sum(case.demand.values())
    print(f"{took:.1f} s ({used.ru_utime + used.ru_stime:.1f} s of processor),")
    print(
        f"{sum(plan.short.values())} of {asked} gutters missed, {sum(plan.surplus.values())} over;"
    )
    print(f"cost {plan.cost:,.0f}, bound {plan.bound:,.0f}, gap {plan.gap:.1%}")


if __name__ == "__main__":
    main()
