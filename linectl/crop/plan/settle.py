"""Settles the crops of a plan whose rates stand, so that each day's sowing fits into its shift.

When it is known how many gutters each lane passes on each day, so are the days on which every
gutter is sown and pulled. Gutters of a lane that are sown on one day and pulled on one day are
alike: which crop they are is chosen anew here, by the same costs, and by what the first program
does not see: how long sowing takes with the changes of crop, and the mix of what is sown for
after the plan's end. No order is missed by more gutters than before.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass

from linectl.crop.plan.after import mix
from linectl.crop.plan.day_orders import Sown, best_orders
from linectl.crop.plan.highs import NoSolution, solve
from linectl.crop.plan.model import ALONE_TAKTS, Case, LaneDay, LaneFacts, Plan, Row, joined
from linectl.crop.plan.program import Program, Terms

OVER = 30.0
"""Cost of a takt by which a day's sowing is longer than its shift."""
CHANGE = 0.5
"""Cost of a crop in a day's sowing, so that few are sown even where there is time for more."""
LANE_CROP = 1.0
"""Cost of a crop in a lane's day: lanes that want the same crops in different orders cost changes
that are only seen when the day is put in order."""
OFF_MIX = 0.05
"""Cost of a gutter sown for after the plan's end that is not of the mix."""


@dataclass(frozen=True)
class Segment:
    """Gutters of a lane that are sown on one day and pulled on one; pulled None: after the end."""

    lane: LaneFacts
    sown: int
    pulled: int | None
    gutters: int


def segments(case: Case, plan: Plan, lane: LaneFacts) -> list[Segment]:
    """A lane's new gutters in the order in which they stand."""
    rows = [row for row in plan.rows if row.lane == lane.id]
    pulls: list[tuple[int | None, int]] = []
    gone = 0
    for row in rows:
        new = max(0, gone + row.pulled - lane.standing) - max(0, gone - lane.standing)
        gone += row.pulled
        if new:
            pulls.append((row.day, new))
    pulls.append((None, sum(row.sown for row in rows)))
    found, place = [], 0
    for row in rows:
        left = row.sown
        while left:
            day, open_ = pulls[place]
            part = min(left, open_)
            found.append(Segment(lane, row.day, day, part))
            left -= part
            pulls[place] = (day, open_ - part)
            place += open_ == part
    return found


def settled(case: Case, plan: Plan, time_limit_s: float, gap: float) -> Plan:
    """The plan with its crops settled; as it is if the time is over before a better one is found.

    Raises ImportError without the extra `plan`.
    """
    parts = [part for lane in case.lanes for part in segments(case, plan, lane)]
    if not parts:
        return plan
    program = Program()
    chosen = [_choice(case, program, part) for part in parts]
    _orders(case, program, plan, parts, chosen)
    _sowing_time(case, program, parts, chosen)
    _after(case, program, parts, chosen)
    try:
        values = solve(program, time_limit_s, gap).values
    except NoSolution:
        values = None
    if values is None:
        return plan
    crops = [joined((crop, round(values[at])) for crop, at in each.items()) for each in chosen]
    sown = [Sown(part.lane.id, part.sown, rows) for part, rows in zip(parts, crops, strict=True)]
    return _rewritten(case, plan, parts, best_orders(case, sown))


def _choice(case: Case, program: Program, part: Segment) -> dict[str, int]:
    """How many of a segment are of each crop: only those that are ripe when they are pulled."""
    chosen = {}
    for crop in part.lane.crops:
        age = None if part.pulled is None else part.pulled - part.sown
        if age is None or age >= case.crops[crop].ripe:
            late = age is not None and age >= case.crops[crop].late
            chosen[crop] = program.variable(part.gutters, case.costs.late * late)
    program.row([(at, 1.0) for at in chosen.values()], part.gutters, part.gutters)
    return chosen


Parts = Sequence[Segment]
Chosen = Sequence[dict[str, int]]


def _orders(case: Case, program: Program, plan: Plan, parts: Parts, chosen: Chosen) -> None:
    old: Counter[tuple[str, int]] = Counter()
    for lane in case.lanes:
        gone = 0
        for row in (row for row in plan.rows if row.lane == lane.id):
            for crop, gutters in row.pull:
                old[crop, row.day] += max(0, min(gutters, lane.standing - gone))
                gone += gutters
    new: dict[tuple[str, int], Terms] = {}
    for part, each in zip(parts, chosen, strict=True):
        if part.pulled is not None:
            for crop, at in each.items():
                new.setdefault((crop, part.pulled), []).append((at, 1.0))
    shortages: Terms = []
    for (crop, day), terms in new.items():
        wanted = case.demand.get((crop, day), 0) - old[crop, day]
        short = program.variable(max(0, wanted), case.costs.short, whole=False)
        surplus = program.variable(float("inf"), case.costs.surplus, whole=False)
        program.row([*terms, (short, 1.0), (surplus, -1.0)], wanted, wanted)
        shortages.append((short, 1.0))
    if shortages:
        program.row(shortages, high=sum(plan.short.get(key, 0) for key in new))


def _sowing_time(case: Case, program: Program, parts: Parts, chosen: Chosen) -> None:
    sown: dict[int, dict[str, dict[int, Terms]]] = {}
    for part, each in zip(parts, chosen, strict=True):
        for crop, at in each.items():
            lanes = sown.setdefault(part.sown, {}).setdefault(crop, {})
            lanes.setdefault(part.lane.id, []).append((at, 1.0))
    for day, crops in sown.items():
        time: Terms = []
        for lanes in crops.values():
            most = float(case.capacity[day])
            takts = program.variable(ALONE_TAKTS * most, whole=False)
            begun = program.variable(1, CHANGE)
            in_all = [term for terms in lanes.values() for term in terms]
            program.row([*in_all, (begun, -most)], high=0.0)
            program.row([*in_all, (takts, -1.0)], high=0.0)
            for terms in lanes.values():
                used = program.variable(1, LANE_CROP)
                program.row([*terms, (used, -float(case.most(day)))], high=0.0)
                program.row([*((at, ALONE_TAKTS) for at, _ in terms), (takts, -1.0)], high=0.0)
            time += [(takts, 1.0), (begun, case.changeover_takts)]
        over = program.variable(float("inf"), OVER, whole=False)
        shift = case.capacity[day] + (case.changeovers + 1) * case.changeover_takts
        program.row([*time, (over, -1.0)], high=shift)


def _after(case: Case, program: Program, parts: Parts, chosen: Chosen) -> None:
    """What is sown for after the end follows the mix of the last weeks' orders."""
    later = [(part, each) for part, each in zip(parts, chosen, strict=True) if part.pulled is None]
    total = sum(part.gutters for part, _ in later)
    shares = mix(case)
    for crop in sorted({crop for _, each in later for crop in each}):
        terms = [(each[crop], 1.0) for _, each in later if crop in each]
        off = program.variable(float("inf"), OFF_MIX, whole=False)
        wanted = shares.get(crop, 0.0) * total
        program.row([*terms, (off, -1.0)], high=wanted)
        program.row([*terms, (off, 1.0)], low=wanted)


def _rewritten(
    case: Case, plan: Plan, parts: Parts, crops: Sequence[tuple[Row, ...]]
) -> Plan:  # fmt: skip
    sow: dict[tuple[int, int], list[Row]] = {}
    pull: dict[tuple[int, int], list[Row]] = {}
    for part, rows in zip(parts, crops, strict=True):
        sow.setdefault((part.lane.id, part.sown), []).extend(rows)
        if part.pulled is not None:
            pull.setdefault((part.lane.id, part.pulled), []).extend(rows)
    standing = {lane.id: lane.standing for lane in case.lanes}
    made = []
    for row in plan.rows:
        old: list[Row] = []
        for crop, gutters in row.pull:
            old.append((crop, min(gutters, standing[row.lane])))
            standing[row.lane] -= old[-1][1]
        place = (row.lane, row.day)
        rows = joined((*old, *pull.get(place, ())))
        made.append(LaneDay(row.lane, row.day, rows, joined(sow.get(place, ()))))
    return plan.with_rows(case, tuple(made))
