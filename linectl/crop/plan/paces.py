"""Which crop sets each lane's pace: the first, rough answer from which a large plan is made.

A lane that keeps the days of one crop may give, beside it, any crop that is ripe by then and not
yet late. With a pace for each lane nothing in the program is a matter of either-or any more.
"""

from __future__ import annotations

from collections import Counter
from copy import deepcopy

from linectl.crop.plan.highs import solve
from linectl.crop.plan.model import Case, LaneFacts
from linectl.crop.plan.program import LaneProgram, Program

_TIME_LIMIT_S = 1.0
_GAP = 0.05
_SHORT = 1000.0
_OTHER = 1.0
"""A lane at another pace than its last crop's: less than a gutter a day short."""


def beside(case: Case, lane: LaneFacts, pace: str) -> list[str]:
    """Crops that a lane at the pace of that one may give, itself among them."""
    ripe = case.crops[pace].ripe
    return [c for c in lane.crops if case.crops[c].ripe <= ripe < case.crops[c].late]


def paces(case: Case) -> dict[int, str]:
    """The pace of each lane, by its id, so that all together give the mean day's orders.

    The days are those on which anything that is sown in the plan can be ripe. A lane gives its
    slots within the days after which its crop is ripe (Little's law).
    """
    first = min((due.ripe for due in case.crops.values()), default=0)
    asked: Counter[str] = Counter()
    for (crop, day), gutters in case.demand.items():
        if day >= first:
            asked[crop] += gutters
    program = Program()
    chosen: dict[tuple[int, str], int] = {}
    given: dict[str, list[int]] = {}
    for lane in case.lanes:
        home = lane.stock[0].crop if lane.stock else lane.crops[0]
        for pace in lane.crops:
            due = case.crops[pace]
            rate = lane.slots / due.ripe
            at = program.variable(1, 0.0 if pace == home else _OTHER)
            chosen[lane.id, pace] = at
            parts = [program.variable(rate, whole=False) for _ in beside(case, lane, pace)]
            for crop, part in zip(beside(case, lane, pace), parts, strict=True):
                given.setdefault(crop, []).append(part)
            program.row([*((part, 1.0) for part in parts), (at, -rate)], high=0.0)
        program.row([(chosen[lane.id, pace], 1.0) for pace in lane.crops], 1.0, 1.0)
    for crop, gutters in asked.items():
        short = program.variable(gutters, _SHORT, whole=False)
        parts = given.get(crop, [])
        program.row(
            [*((part, 1.0) for part in parts), (short, 1.0)], low=gutters / (case.days - first)
        )
    values = solve(program, _TIME_LIMIT_S, _GAP).values
    if values is None:
        return {lane.id: lane.crops[0] for lane in case.lanes}
    return {lane: pace for (lane, pace), at in chosen.items() if values[at] > 0.5}


def at_paces(
    case: Case, program: Program, lanes: list[LaneProgram], kept: dict[int, str]
) -> Program:
    """A program in which each lane keeps its pace; what it costs to be late is rounded up."""
    paced = deepcopy(program)
    for made in lanes:
        pace = kept[made.lane.id]
        ripe, late = case.crops[pace].ripe, case.crops[pace].late
        also = beside(case, made.lane, pace)
        for crop, at in made.new.items():
            for variable in at.values():
                paced.high[variable] *= crop in also
        for day in range(case.days):
            if day < ripe:
                paced.high[made.gone[day]] = 0.0
            else:
                paced.row([(made.gone[day], 1.0), (made.sown[day - ripe], -1.0)], high=0.0)
            if day >= late - 1:  # what stands now is late if it is pulled tomorrow
                stays = paced.variable(made.lane.slots, case.costs.late, whole=False)
                terms = [(stays, 1.0), (made.gone[day], 1.0), (made.sown[day - late + 1], -1.0)]
                paced.row(terms, low=0.0)
    return paced
