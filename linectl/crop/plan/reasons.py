"""Why a plan misses an order: what stands where on that day, and what is in the way.

It is told from the lanes as they stand at the end of the day, gutter by gutter in the plan's own
order; where nothing is in the way but other orders, that is what it says.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from linectl.crop.plan.model import Case, LaneFacts, Plan
from linectl.site.crops import in_words

Said = Callable[[int], str]
"""A day of the plan as people write it."""


@dataclass(frozen=True)
class _Order:
    """All gutters that ever stand in a lane, from the tail on, and how far it has come."""

    lane: LaneFacts
    crops: tuple[str, ...]
    ripe: tuple[int, ...]
    gone: tuple[int, ...]
    """By the end of each day."""
    entered: tuple[int, ...]

    def next_of(self, crop: str, day: int) -> int | None:
        """Place of the first of that crop that stands at the end of the day."""
        for place in range(self.gone[day], self.entered[day]):
            if self.crops[place] == crop:
                return place
        return None


def reasons(case: Case, plan: Plan, said: Said) -> dict[tuple[str, int], str]:
    """A sentence for each crop and day that the plan misses."""
    orders = [_order(case, plan, lane) for lane in case.lanes]
    return {(crop, day): _why(case, plan, orders, crop, day, said) for crop, day in plan.short}


def _order(case: Case, plan: Plan, lane: LaneFacts) -> _Order:
    crops = [part.crop for part in lane.stock for _ in range(part.gutters)]
    ripe = [part.ripe for part in lane.stock for _ in range(part.gutters)]
    gone, entered, out = [], [], 0
    rows = {row.day: row for row in plan.rows if row.lane == lane.id}
    for day in range(case.days):
        if row := rows.get(day):
            out += row.pulled
            for crop, gutters in row.sow:
                crops += [crop] * gutters
                ripe += [day + case.crops[crop].ripe] * gutters
        gone.append(out)
        entered.append(len(crops))
    return _Order(lane, tuple(crops), tuple(ripe), tuple(gone), tuple(entered))


def _why(
    case: Case, plan: Plan, orders: list[_Order], crop: str, day: int, said: Said
) -> str:  # fmt: skip
    if not case.capacity[day]:
        return "no shift begins on this day"
    places = {order.lane.id: order.next_of(crop, day) for order in orders}
    standing = {order.lane.id: order for order in orders if places[order.lane.id] is not None}
    if not standing:
        return _none_stands(case, crop, day, said)
    told = [
        _in_the_way(order, place, day, said)
        for lane, order in standing.items()
        if (place := places[lane]) is not None
    ]
    full = sum(row.pulled for row in plan.of_day(day)) >= case.capacity[day]
    first = [f"the shift is full: {case.capacity[day]} gutters"] if full else []
    return "; ".join([*first, *_grouped(told)])


def _none_stands(case: Case, crop: str, day: int, said: Said) -> str:
    accepted = [str(lane.id) for lane in case.lanes if crop in lane.crops]
    if not accepted:
        return "no lane accepts it, and none of it stands"
    first = case.crops[crop].ripe
    working = next((on for on in range(case.days) if case.capacity[on]), 0)
    if day < working + first:
        sown = f"sown on {said(working)} it is ripe on {said(working + first)}"
        return f"none of it is left in the lanes; {sown}"
    lanes = f"lane{'s' if len(accepted) > 1 else ''} {', '.join(accepted)}"
    return f"none of it is left; by then {lanes} gave {said(day - first)} and before to other crops"


def _in_the_way(order: _Order, place: int, day: int, said: Said) -> tuple[str, int]:
    """What keeps the next gutter of the crop in one lane: (sentence, lane)."""
    tail = order.gone[day]
    lane = order.lane.id
    if order.ripe[place] > day:
        return f"the next is ripe on {said(order.ripe[place])}", lane
    before = order.crops[tail:place]
    if not before:
        return "what is ripe of it is kept for other days", lane
    latest = max(order.ripe[tail:place])
    crops = " and ".join(dict.fromkeys(_words(crop) for crop in before))
    until = f", not ripe before {said(latest)}" if latest > day else ""
    return f"it stands behind {len(before)} gutters of {crops}{until}", lane


def _grouped(told: list[tuple[str, int]]) -> list[str]:
    lanes: dict[str, list[int]] = {}
    for text, lane in told:
        lanes.setdefault(text, []).append(lane)
    return [
        f"lane{'s' if len(which) > 1 else ''} {', '.join(map(str, which))}: {text}"
        for text, which in lanes.items()
    ]


def _words(crop: str) -> str:
    return in_words(crop) or "a crop that nobody has named"
