"""Lanes filled and emptied gutter by gutter, by a plan's rows: shares nothing with what plans.

A gutter is its crop, the first days on which it is ripe and late. What a plan says of a lane-day is
done one out, one in; each gutter that comes out must be the crop that the plan says, and ripe.
"""

from __future__ import annotations

from collections import Counter, defaultdict, deque
from dataclasses import dataclass, replace

from linectl.crop.plan.model import ALONE_TAKTS, Case, Plan, Stock


@dataclass(frozen=True)
class Gutter:
    crop: str
    ripe: int
    late: int
    new: bool
    slowest: int
    """When it would be late if it were of the slowest crop that its lane accepts."""


class Lanes:
    """`case`'s lanes, tail first; `cost` is what has happened so far by the case's costs."""

    def __init__(self, case: Case) -> None:
        self.case = case
        self.lanes = {
            lane.id: deque(
                Gutter(part.crop, part.ripe, part.late, False, part.late)
                for part in lane.stock
                for _ in range(part.gutters)
            )
            for lane in case.lanes
        }
        self.facts = {lane.id: lane for lane in case.lanes}
        self.cost = 0.0
        self.pulled: Counter[tuple[str, int]] = Counter()

    def play(self, plan: Plan, days: int | None = None) -> Lanes:
        """Do what the plan says for so many days, or all of them."""
        for day in range(self.case.days if days is None else days):
            self.day(day, {row.lane: (row.pull, row.sow) for row in plan.of_day(day)})
        return self

    def day(self, day: int, rows: dict) -> None:
        """One day: {lane: (pull rows, sow rows)}; AssertionError where it cannot be done."""
        out: dict[str, Counter[int]] = defaultdict(Counter)
        sown = 0
        for lane, (pull, sow) in rows.items():
            entering = deque(crop for crop, n in sow for _ in range(n))
            leaving = deque(crop for crop, n in pull for _ in range(n))
            sown += len(entering)
            assert len(entering) <= self.case.lane_capacity, f"lane {lane}, day {day}: too many"
            while self._has_hole(lane) and entering:
                self._sow(lane, entering.popleft(), day)
            while leaving:
                gutter = self._pull(lane, leaving.popleft(), day)
                out[gutter.crop][lane] += 1
                self._sow(lane, entering.popleft(), day)
            assert not entering, f"lane {lane}, day {day}: sown into a full lane"
        assert sown <= self.case.capacity[day], f"day {day}: the shift is full"
        self._end(day, out)

    def _has_hole(self, lane: int) -> bool:
        return len(self.lanes[lane]) < self.facts[lane].slots

    def _sow(self, lane: int, crop: str, day: int) -> None:
        facts, due = self.facts[lane], self.case.crops[crop]
        assert crop in facts.crops, f"lane {lane} does not accept {crop}"
        assert self._has_hole(lane)
        slowest = day + max(self.case.crops[each].late for each in facts.crops)
        self.lanes[lane].append(Gutter(crop, day + due.ripe, day + due.late, True, slowest))

    def _pull(self, lane: int, crop: str, day: int) -> Gutter:
        assert not self._has_hole(lane), f"lane {lane} is not full"
        gutter = self.lanes[lane].popleft()
        assert gutter.crop == crop, f"lane {lane}, day {day}: {gutter.crop} stands, not {crop}"
        assert gutter.ripe <= day, f"lane {lane}, day {day}: {crop} is ripe on {gutter.ripe}"
        self.cost += self.case.costs.late * (gutter.new and day >= gutter.late)
        self.pulled[crop, day] += 1
        return gutter

    def _end(self, day: int, out: dict[str, Counter[int]]) -> None:
        costs, case = self.case.costs, self.case
        for crop in {*out, *(crop for crop, on in case.demand if on == day)}:
            over = out[crop].total() - case.demand.get((crop, day), 0)
            self.cost += over * costs.surplus if over > 0 else -over * costs.short
        takts = sum(max(n.total(), ALONE_TAKTS * max(n.values())) for n in out.values() if n)
        self.cost += max(0.0, takts - case.capacity[day]) * costs.over
        for lane, standing in self.lanes.items():
            self.cost += costs.hole * (self.facts[lane].slots - len(standing))
            self.cost += costs.standing_late * sum(1 for each in standing if each.slowest <= day)

    def case_after(self, days: int) -> Case:
        """The case that begins after so many days with what stands now."""
        case = self.case
        return replace(
            case,
            days=case.days - days,
            lanes=tuple(
                replace(
                    lane,
                    stock=tuple(
                        Stock(g.crop, 1, g.ripe - days, g.late - days) for g in self.lanes[lane.id]
                    ),
                )
                for lane in case.lanes
            ),
            demand={(crop, on - days): n for (crop, on), n in case.demand.items() if on >= days},
            capacity=case.capacity[days:],
        )
