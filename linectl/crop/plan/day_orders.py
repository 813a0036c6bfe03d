"""Orders of crops by day: which crop a day begins with, and ends with, so that all fits best.

Gutters of a lane that are sown on one day and pulled on one day may stand in any order. A day
takes each order of the crops, or the one in which each lane goes on with what it had before. The
days are joined by dynamic programming over the crop left in the drum: of all ways the one with
the fewest takts over its shifts, then with the fewest changes of crop.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from itertools import permutations
from typing import NamedTuple

from linectl.crop.plan.model import Case, LaneDay, Row, joined
from linectl.crop.plan.sequence import changes, over_takts, sowing_order

_ORDERS_TRIED = 4
"""Crops of which every order of a day is tried: 24 orders."""

Rows = tuple[Row, ...]


class Sown(NamedTuple):
    """Gutters of a lane that are sown on one day and pulled on one, by crop."""

    lane: int
    day: int
    rows: Rows


class _Way(NamedTuple):
    """Days up to now: takts over their shifts, changes of crop, each part's rows by its place."""

    over: float
    changes: int
    rows: tuple[tuple[tuple[int, Rows], ...], ...]


def best_orders(case: Case, parts: Sequence[Sown]) -> list[Rows]:
    """Each part's rows in the order in which they enter. parts: by lane, then as they stand."""
    names = sorted({crop for part in parts for crop, _ in part.rows})
    orders = list(permutations(names)) if len(names) <= _ORDERS_TRIED else []
    on = _going_on(parts)
    ways: dict[str, _Way] = {"": _Way(0.0, 0, ())}
    for day in sorted({part.day for part in parts}):
        places = [place for place, part in enumerate(parts) if part.day == day]
        choices = [{place: on[place] for place in places}]
        choices += [
            {place: tuple(sorted(parts[place].rows, key=lambda row: order.index(row[0])))
             for place in places}
            for order in orders
        ]  # fmt: skip
        ways = _joined(case, day, parts, choices, ways)
    best = min(ways.values(), key=lambda way: way[:2])
    ordered = dict(entry for day_rows in best.rows for entry in day_rows)
    return [ordered[place] for place in range(len(parts))]


def _joined(
    case: Case, day: int, parts: Sequence[Sown], choices: Sequence[Mapping[int, Rows]],
    ways: Mapping[str, _Way],
) -> dict[str, _Way]:  # fmt: skip
    """The best ways that end on this day, by the crop that they leave in the drum."""
    after: dict[str, _Way] = {}
    for chosen in choices:
        lanes: dict[int, list[Row]] = {}
        for place, rows in chosen.items():
            lanes.setdefault(parts[place].lane, []).extend(rows)
        sown = [LaneDay(lane, day, (), joined(rows)) for lane, rows in lanes.items()]
        for drum, way in ways.items():
            blocks = sowing_order(sown, drum)
            over = way.over + max(0.0, over_takts(case, day, blocks, drum))
            count = way.changes + changes(blocks, drum)
            left = blocks[-1].crop if blocks else drum
            if left not in after or (over, count) < after[left][:2]:
                after[left] = _Way(over, count, (*way.rows, tuple(chosen.items())))
    return after


def _going_on(parts: Sequence[Sown]) -> list[Rows]:
    """Each part's rows so that it goes on with the last before it, and ends with the next."""
    made: list[Rows] = []
    for place, part in enumerate(parts):
        before = made[-1][-1][0] if made and parts[place - 1].lane == part.lane else ""
        follows = place + 1 < len(parts) and parts[place + 1].lane == part.lane
        after = {crop for crop, _ in parts[place + 1].rows} if follows else set()
        made.append(
            tuple(sorted(part.rows, key=lambda row: (row[0] != before, row[0] in after, row[0])))
        )
    return made
