"""Reads a plan out of a solved program: crops by position, sowings by lane and day, shortages."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from linectl.crop.plan.after import crops_after, mix
from linectl.crop.plan.model import Case, LaneDay, Plan, Row, joined
from linectl.crop.plan.program import LaneProgram
from linectl.crop.plan.settle import settled
from linectl.crop.plan.stages import Left, solved

SETTLE_SHARE, GAP = 0.25, 0.02
Moves = Mapping[tuple[int, int], tuple[Row, ...]]
"""Rows of a lane on a day."""


def make_plan(case: Case, left: Left, gap: float = GAP) -> Plan:
    """The cheapest plan of a case, or the best that the time allows, with its sowing settled.

    left: seconds that are left, asked now and then. gap: share of the cost within which a plan is
    good enough. Every case has a plan: what cannot be met is short. Raises ImportError without the
    extra `plan`.
    """
    settle_s = left() * SETTLE_SHARE
    first = first_plan(case, lambda: left() - settle_s, gap)
    return settled(case, first, max(settle_s, left()), gap)


def first_plan(case: Case, left: Left, gap: float) -> Plan:
    """The plan as its program has it, before its sowing is settled. Raises as `make_plan` does."""
    lanes, found = solved(case, left, gap)
    values = found.values or ()
    fills = {(made.lane.id, day): round(values[at]) for made in lanes
             for day, at in made.fill.items()}  # fmt: skip
    pulls = {
        (made.lane.id, day): rows
        for made in lanes
        for day, rows in enumerate(_pulls(case, made, values))
    }
    sowings = _sowings(case, pulls, fills)
    rows = tuple(
        LaneDay(lane.id, day, pulls[lane.id, day], sowings[lane.id, day])
        for day in range(case.days)
        for lane in case.lanes
        if pulls[lane.id, day] or sowings[lane.id, day]
    )
    plan = Plan((), {}, {}, found.cost or 0.0, found.bound, found.proven)
    return plan.with_rows(case, rows)


def _pulls(case: Case, made: LaneProgram, values: Sequence[float]) -> list[tuple[Row, ...]]:
    """A lane's pulls by day: what stood, then what the plan has sown, slower crops first."""
    return [
        joined((crop, round(values[at])) for crop, at in made.pulls(day))
        for day in range(case.days)
    ]


def _sowings(
    case: Case, pulls: Moves, fills: Mapping[tuple[int, int], int]
) -> dict[tuple[int, int], tuple[Row, ...]]:
    """What enters each lane on each day: positions get their crops in the order of their pulls."""
    waiting = {lane.id: _crops_in_order(case, pulls, lane.id, lane.standing) for lane in case.lanes}
    last = {lane.id: order[-1] for lane in case.lanes if (order := waiting[lane.id])}
    decided: dict[tuple[int, int], list[Row]] = {}
    blocks: list[tuple[int, int]] = []
    for day in range(case.days):
        for lane in sorted(case.lanes, key=lambda each: (len(each.crops), each.id)):
            sown = sum(n for _, n in pulls[lane.id, day]) + fills.get((lane.id, day), 0)
            order = waiting[lane.id]
            known = order[:sown]
            del order[:sown]
            decided[lane.id, day] = [(crop, 1) for crop in known]
            if sown > len(known):
                blocks.append((lane.id, sown - len(known)))
                decided[lane.id, day].append(("", sown - len(known)))
    chosen = iter(crops_after(case.lanes, mix(case), blocks, last))
    return {
        place: joined((crop or next(chosen), gutters) for crop, gutters in rows)
        for place, rows in decided.items()
    }


def _crops_in_order(case: Case, pulls: Moves, lane: int, standing: int) -> list[str]:
    """Crops of what the plan sows into a lane and pulls again, in that order."""
    order = [crop for day in range(case.days) for crop, n in pulls[lane, day] for _ in range(n)]
    return order[standing:]
