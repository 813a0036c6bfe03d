"""Solves an integer program with HiGHS; the one file that knows scipy, imported when it is used."""

from __future__ import annotations

import math
import os
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from importlib.util import find_spec
from itertools import accumulate
from typing import Any

from linectl.crop.plan.program import Program

EXTRA = "plan"
"""The extra that brings scipy with HiGHS."""
_TIME_OVER = 1
"""scipy.optimize.milp: an iteration or time limit was reached."""


class NoSolution(ArithmeticError):
    """Nothing satisfies all rows and bounds of a program."""


@dataclass(frozen=True)
class Solution:
    """values, cost: None if the time was over before any was found. bound: none is cheaper."""

    values: tuple[float, ...] | None
    cost: float | None
    bound: float
    proven: bool


def can_solve() -> bool:
    """Whether scipy is installed."""
    return find_spec("scipy") is not None


def solve(program: Program, time_limit_s: float, gap: float) -> Solution:
    """The cheapest solution, or the best that the time allows.

    time_limit_s: above zero; the solver looks at the clock now and then, and may take a little
    longer. gap: share of the cost within which a solution is good enough. Raises ImportError
    without scipy; NoSolution if nothing satisfies the program.
    """
    from scipy.optimize import Bounds, LinearConstraint, milp

    if not program.cost:
        return Solution((), program.constant, program.constant, True)
    with _silent():
        found = milp(
            program.cost,
            integrality=[int(whole) for whole in program.whole],
            bounds=Bounds(program.low, program.high),
            constraints=LinearConstraint(_matrix(program), program.row_low, program.row_high),
            options={"time_limit": time_limit_s, "mip_rel_gap": gap},
        )
    if found.status not in (0, _TIME_OVER):
        raise NoSolution(found.message)
    bound = found.mip_dual_bound
    if bound is None or not math.isfinite(bound):
        bound = -program.constant  # no cost of a plan is below zero
    return Solution(
        None if found.x is None else tuple(float(x) for x in found.x),
        None if found.x is None else float(found.fun) + program.constant,
        float(bound) + program.constant,
        found.status == 0,
    )


def relax(program: Program, time_limit_s: float) -> Solution:
    """The cheapest solution in fractions: its cost is a bound for the one in whole numbers.

    By the interior-point method, which takes a quarter of the simplex method's time here. `bound`
    is minus infinity if the time was over. Raises as `solve` does.
    """
    import numpy as np
    from scipy.optimize import linprog
    from scipy.sparse import vstack

    matrix = _matrix(program)
    low, high = np.array(program.row_low), np.array(program.row_high)
    equal = low == high
    upper, lower = ~equal & np.isfinite(high), ~equal & np.isfinite(low)
    found = linprog(
        program.cost,
        A_ub=vstack([matrix[upper], -matrix[lower]]),
        b_ub=np.concatenate([high[upper], -low[lower]]),
        A_eq=matrix[equal],
        b_eq=high[equal],
        bounds=np.column_stack([program.low, program.high]),
        method="highs-ipm",
        options={"time_limit": time_limit_s},
    )
    if found.status not in (0, _TIME_OVER):
        raise NoSolution(found.message)
    if found.status == _TIME_OVER:
        return Solution(None, None, -math.inf, False)
    cost = float(found.fun) + program.constant
    return Solution(tuple(float(x) for x in found.x), cost, cost, True)


@contextmanager
def _silent() -> Iterator[None]:
    """Standard output closed to the solver: HiGHS 1.12 writes a line of its own to it now and then,
    whatever it is told, and a result must stand there alone."""
    kept = os.dup(1)
    nowhere = os.open(os.devnull, os.O_WRONLY)
    try:
        os.dup2(nowhere, 1)
        yield
    finally:
        os.dup2(kept, 1)
        os.close(kept)
        os.close(nowhere)


def _matrix(program: Program) -> Any:
    """Rows × variables, sparse."""
    from scipy.sparse import csr_array

    ends = [0, *accumulate(len(terms) for terms in program.rows)]
    flat = [term for terms in program.rows for term in terms]
    return csr_array(
        ([factor for _, factor in flat], [at for at, _ in flat], ends),
        shape=(len(program.rows), len(program.cost)),
    )
