"""A plan's facts and its answer, in whole gutters and whole days from the plan's first day on.

A day is a number: 0 is the first day of the plan, -1 the day before it. Within a day each lane
takes in as many gutters as it gives (one in for one out), so the answer for a lane and day is its
pulls, oldest first, and its sowings in the order in which they enter.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from itertools import groupby

ALONE_TAKTS = 2.0
"""Takts for each gutter of a crop that goes into one lane alone: the lane's next hole is proven at
its mouth only after the last insert (118 s at a takt of 60 s, in rehearsals of config/fennmark).
So a crop takes, in takts, its gutters or twice those of its fullest lane, whichever is more. A
plan reckons so with what it pulls, for what is sown goes the same way some weeks before."""
UNKNOWN = ""
"""Crop of a gutter that nobody has named: it is in the way, and meets no order."""


@dataclass(frozen=True)
class CropDays:
    """When a crop may be pulled, in whole days after its sowing.

    ripe: from then on. late: from then on it is late.
    """

    ripe: int
    late: int

    def __post_init__(self) -> None:
        if not 1 <= self.ripe < self.late:
            raise ValueError(f"ripe after {self.ripe} days and late after {self.late}: no order")


@dataclass(frozen=True)
class Stock:
    """Neighbouring gutters of a lane that have all in common. Days may lie before the plan.

    ripe: first day on which they may be pulled. late: first day on which they are late; of two
    neighbours of one crop the one nearer to the tail, which was sown first, is late first.
    """

    crop: str
    gutters: int
    ripe: int
    late: int


@dataclass(frozen=True)
class LaneFacts:
    """A lane at the beginning of the first day. `stock` from the tail on; the rest is holes."""

    id: int
    slots: int
    crops: tuple[str, ...]
    """Those it accepts, the one that it is meant for first."""
    stock: tuple[Stock, ...] = ()

    def __post_init__(self) -> None:
        if self.holes < 0:
            raise ValueError(f"lane {self.id}: more gutters stand than its {self.slots} slots hold")

    @property
    def standing(self) -> int:
        return sum(each.gutters for each in self.stock)

    @property
    def holes(self) -> int:
        return self.slots - self.standing


@dataclass(frozen=True)
class Costs:
    """What one of each costs the plan. Only their ratios count.

    Orders come first: a gutter short costs what nothing else together does in a usual day.
    """

    short: float = 100.0
    """A gutter that was ordered and is not pulled."""
    surplus: float = 2.0
    """A gutter pulled that nobody ordered."""
    late: float = 1.0
    """A gutter sown in the plan and pulled when its crop is late."""
    standing_late: float = 0.05
    """A late gutter that still stands at the end of a day (sown in the plan: late for the slowest
    crop that its lane accepts)."""
    over: float = 0.5
    """A takt by which a day's work is longer than its shift (see `ALONE_TAKTS`)."""
    hole: float = 0.02
    """A hole that the lanes began with and that is still empty at the end of a day."""


@dataclass(frozen=True)
class Case:
    """All that a plan is made from."""

    days: int
    crops: Mapping[str, CropDays]
    lanes: tuple[LaneFacts, ...]
    demand: Mapping[tuple[str, int], int]
    """Gutters of a crop to be pulled on a day."""
    capacity: tuple[int, ...]
    """Gutters that the shift of each day can sow, and pull; 0: no shift."""
    lane_capacity: int
    """Gutters that one lane can pass in a shift."""
    changeovers: int = 0
    """Changes of crop that are already taken off each day's capacity."""
    changeover_takts: float = 10.0
    costs: Costs = field(default_factory=Costs)

    def __post_init__(self) -> None:
        if len(self.capacity) != self.days:
            raise ValueError(f"{len(self.capacity)} shifts for {self.days} days")
        for lane in self.lanes:
            for crop in lane.crops:
                if crop not in self.crops:
                    raise ValueError(f"lane {lane.id} accepts {crop}, whose days are not known")

    def most(self, day: int) -> int:
        """Gutters that one lane can give on that day."""
        return min(self.capacity[day], self.lane_capacity)


Row = tuple[str, int]
"""(crop, gutters)."""


def joined(rows: Iterable[Row]) -> tuple[Row, ...]:
    """Rows with neighbours of one crop added up, and without empty ones."""
    some = [(crop, gutters) for crop, gutters in rows if gutters]
    return tuple(
        (crop, sum(gutters for _, gutters in group))
        for crop, group in groupby(some, key=lambda row: row[0])
    )


@dataclass(frozen=True)
class LaneDay:
    """What a lane does on a day: pulls oldest first, sowings in the order in which they enter."""

    lane: int
    day: int
    pull: tuple[Row, ...] = ()
    sow: tuple[Row, ...] = ()

    @property
    def pulled(self) -> int:
        return sum(gutters for _, gutters in self.pull)

    @property
    def sown(self) -> int:
        return sum(gutters for _, gutters in self.sow)


@dataclass(frozen=True)
class Plan:
    """The answer. `rows` has the lane-days on which something moves, by day, then lane."""

    rows: tuple[LaneDay, ...]
    short: Mapping[tuple[str, int], int]
    """Gutters of a crop that are missed on a day; only those above zero."""
    surplus: Mapping[tuple[str, int], int]
    """Gutters pulled that nobody ordered."""
    cost: float
    """Of the plan by `Costs`, before its sowing was settled."""
    bound: float
    """No plan costs less; below `cost` if the time was over before that was proven."""
    proven: bool
    """The solver has shown that no plan is better (within its tolerance)."""

    @property
    def gap(self) -> float:
        """Share of the cost that a better plan might still save."""
        return max(0.0, self.cost - self.bound) / self.cost if self.cost > 0 else 0.0

    def with_rows(self, case: Case, rows: tuple[LaneDay, ...]) -> Plan:
        """The plan with those rows, and what is short and too much by them."""
        short, surplus = _differences(case, rows)
        return replace(self, rows=rows, short=short, surplus=surplus)

    def of_day(self, day: int) -> tuple[LaneDay, ...]:
        """The lanes that do something on that day."""
        return tuple(row for row in self.rows if row.day == day)


def _differences(
    case: Case, rows: Sequence[LaneDay]
) -> tuple[dict[tuple[str, int], int], dict[tuple[str, int], int]]:
    """What is short and what is too much, by crop and day."""
    pulled: Counter[tuple[str, int]] = Counter()
    for row in rows:
        for crop, gutters in row.pull:
            pulled[crop, row.day] += gutters
    both = set(pulled) | set(case.demand)
    over = {key: pulled[key] - case.demand.get(key, 0) for key in sorted(both)}
    return (
        {key: -more for key, more in over.items() if more < 0},
        {key: more for key, more in over.items() if more > 0},
    )
