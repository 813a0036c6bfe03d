"""Solves a plan's program: at once if it is small, else first the rates of the lanes, then crops.

A lane's ages follow from how many gutters it has passed by each day. So a large program is solved
in three steps: in fractions, which gives the bound that no plan can be below; in fractions with a
pace for each lane, which gives rates; then in whole numbers, with the rates kept near those. The
last step is exact about every age and order, so its plan is a plan; whether there is a cheaper one
farther from those rates is what the gap against the bound tells. A few steps are made to better
ones near by.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from copy import copy

from linectl.crop.plan.highs import NoSolution, Solution, relax, solve
from linectl.crop.plan.model import Case
from linectl.crop.plan.paces import at_paces, paces
from linectl.crop.plan.program import LaneProgram, Program, build, ripe_by

SMALL = 250
"""Either-or variables up to which a program is solved at once."""
_FRACTIONS_SHARE = 0.3
"""Of the time that is left: at most that for the rates, and then for the bound."""
_STEPS, _STEP = 6, 4
"""Times that it is looked for a better plan near the one that is found, so many gutters off it."""
_STEP_S = 2.0
"""With less time left no step is begun."""
Left = Callable[[], float]
"""Seconds that are left for solving, whenever it is asked: whoever has a clock tells it."""
_BANDS = (1, 8, 64)
"""Gutters by which a lane may be off the rates, if fewer leave no plan."""
_NEAR = 1e-6
REST_S = 10.0
"""For the program in which nothing moves; it takes next to no time."""


def solved(case: Case, left: Left, gap: float) -> tuple[list[LaneProgram], Solution]:
    """The lanes' variables and their values. Values are never None: at worst nothing moves."""
    program, lanes = build(case)
    choices = sum(
        whole and high == 1.0 for whole, high in zip(program.whole, program.high, strict=True)
    )
    found = (
        solve(program, _some(left), gap)
        if choices <= SMALL
        else _in_stages(case, program, lanes, left, gap)
    )
    if found.values is None:
        rest = solve(_at_rest(program, lanes), REST_S, gap)
        found = Solution(rest.values or (), rest.cost, found.bound, False)
    return lanes, found


def _in_stages(
    case: Case, program: Program, lanes: list[LaneProgram], left: Left, gap: float
) -> Solution:
    paced = at_paces(case, program, lanes, paces(case))
    rates = relax(paced, _some(left) * _FRACTIONS_SHARE).values
    bound = max(0.0, relax(program, _some(left) * _FRACTIONS_SHARE).bound)
    found = Solution(None, None, bound, False)
    if rates is None:
        return found
    for band in _BANDS:
        try:
            near = _near(case, program, lanes, rates, band)
            found = solve(near, _some(left), gap)
            break
        except NoSolution:
            continue
    for _ in range(_STEPS):
        if found.values is None or _is_near(found, bound, gap) or left() < _STEP_S:
            break
        near = _near(case, program, lanes, found.values, _STEP)
        better = solve(near, _some(left), gap)
        if better.cost is None or found.cost is None or better.cost >= found.cost:
            break
        found = better
    return Solution(found.values, found.cost, bound, _is_near(found, bound, gap))


def _some(left: Left) -> float:
    """What is left, or a moment: a solver must be given some time."""
    return max(left(), 0.1)


def _is_near(found: Solution, bound: float, gap: float) -> bool:
    """True if no plan can be cheaper by more than `gap` of the cost."""
    return found.cost is not None and found.cost - bound <= gap * found.cost


def _near(
    case: Case, program: Program, lanes: list[LaneProgram], rates: Sequence[float], band: int
) -> Program:
    """The program with what each lane has passed by each day kept within `band` of `rates`."""
    near = copy(program)
    near.low, near.high = list(program.low), list(program.high)
    for made in lanes:
        lane = made.lane
        filling = bool(made.filled) and rates[made.filled[0]] < lane.holes - _NEAR
        for day in range(case.days):
            ripe = ripe_by(lane.stock, day)
            holes = 0.0 if not made.filled else rates[made.filled[day]]
            passed = rates[made.sown[day]] - holes
            passed = passed if ripe == lane.standing else min(passed, ripe)
            low, high = math.floor(passed + _NEAR) - band, math.ceil(passed - _NEAR) + band
            if filling:  # nothing can be pulled before it is full, whatever fractions say
                low = 0
            for at, less in ((made.sown[day], -holes), (made.gone[day], lane.standing)):
                near.low[at] = max(near.low[at], min(low - less, near.high[at]), 0.0)
                near.high[at] = min(near.high[at], max(high - less, near.low[at]))
    return near


def _at_rest(program: Program, lanes: Sequence[LaneProgram]) -> Program:
    """The program in which nothing moves: what is left when the time has been too short."""
    rest = copy(program)
    rest.high = list(program.high)
    for made in lanes:
        for at in (made.fill, *made.old, *made.new.values()):
            for variable in at.values():
                rest.high[variable] = 0.0
    return rest
