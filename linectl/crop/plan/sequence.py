"""The order of a day's sowing: few changes of crop, each lane in the order that the plan gave it.

The crops of a day are a common supersequence of those of its lanes, neighbours of one crop taken
as one; the shortest has the fewest changeovers. It is found by going breadth-first over how far
each lane has come (taking a crop wherever it is next is never worse than leaving it); where there
are too many ways, by taking what is next in most lanes' remaining rows (majority merge).

Harvest frees the slot that sowing fills, so it is pulled lane by lane in the same order.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from linectl.crop.plan.model import ALONE_TAKTS, Case, LaneDay, Row

STATES_MAX = 20_000
"""Ways that are looked at before it is done by majority merge."""
Rows = Mapping[int, Sequence[Row]]
"""What enters each lane, in its order."""
_Heads = tuple[int, ...]


@dataclass(frozen=True)
class Block:
    """What is sown of one crop between two changeovers: (lane, gutters), by lane."""

    crop: str
    lanes: tuple[tuple[int, int], ...]

    @property
    def gutters(self) -> int:
        return sum(gutters for _, gutters in self.lanes)

    @property
    def takts(self) -> float:
        """How long it takes, in takts: as long as its fullest lane at least."""
        fullest = max(gutters for _, gutters in self.lanes)
        return max(float(self.gutters), ALONE_TAKTS * fullest)


def sowing_order(day: Sequence[LaneDay], drum: str) -> tuple[Block, ...]:
    """The day's sowing in blocks of one crop. drum: crop in the drum when the day begins."""
    rows = {each.lane: each.sow for each in day if each.sow}
    crops = shortest(rows, drum)
    return _blocks(rows, majority(rows, drum) if crops is None else crops)


def shortest(rows: Rows, drum: str) -> tuple[str, ...] | None:
    """Crops in an order of the fewest changes; None if there are more ways than are looked at."""
    lanes = [rows[lane] for lane in sorted(rows)]
    done = tuple(len(row) for row in lanes)
    start = _advance(lanes, tuple(0 for _ in lanes), drum)
    level: dict[_Heads, tuple[str, ...]] = {start: (drum,) if any(start) else ()}
    seen = set(level)
    while done not in level:
        if len(seen) > STATES_MAX:
            return None
        after: dict[_Heads, tuple[str, ...]] = {}
        for heads, crops in level.items():
            for crop in _next(lanes, heads):
                state = _advance(lanes, heads, crop)
                if state not in seen:
                    seen.add(state)
                    after[state] = (*crops, crop)
        level = after
    return level[done]


def majority(rows: Rows, drum: str) -> tuple[str, ...]:
    """Crops in an order of few changes: that next which most remaining rows wait for."""
    lanes = [rows[lane] for lane in sorted(rows)]
    heads = _advance(lanes, tuple(0 for _ in lanes), drum)
    crops = [drum] if any(heads) else []
    while waiting := _next(lanes, heads):
        weights: Counter[str] = Counter()
        for row, head in zip(lanes, heads, strict=True):
            if head < len(row):
                weights[row[head][0]] += len(row) - head
        crops.append(max(waiting, key=lambda crop: (weights[crop], crop)))
        heads = _advance(lanes, heads, crops[-1])
    return tuple(crops)


def _next(lanes: Sequence[Sequence[Row]], heads: _Heads) -> list[str]:
    pairs = zip(lanes, heads, strict=True)
    return sorted({row[head][0] for row, head in pairs if head < len(row)})


def _advance(lanes: Sequence[Sequence[Row]], heads: _Heads, crop: str) -> _Heads:
    return tuple(
        head + (head < len(row) and row[head][0] == crop)
        for row, head in zip(lanes, heads, strict=True)
    )


def _blocks(rows: Rows, crops: Sequence[str]) -> tuple[Block, ...]:
    heads = dict.fromkeys(sorted(rows), 0)
    blocks = []
    for crop in crops:
        taken = []
        for lane, head in heads.items():
            if head < len(rows[lane]) and rows[lane][head][0] == crop:
                taken.append((lane, rows[lane][head][1]))
                heads[lane] += 1
        blocks.append(Block(crop, tuple(taken)))
    return tuple(blocks)


def allowed_takts(case: Case, day: int, count: int) -> float:
    """Takts that a day's shift leaves for sowing when it has so many changes of crop."""
    return case.capacity[day] + (case.changeovers - count) * case.changeover_takts


def over_takts(case: Case, day: int, blocks: Sequence[Block], drum: str) -> float:
    """Takts by which a day's sowing is longer than its shift; below zero: what is spare."""
    takts = sum(block.takts for block in blocks)
    return takts - allowed_takts(case, day, changes(blocks, drum))


def changes(blocks: Sequence[Block], drum: str) -> int:
    """Changeovers of a day that begins with that crop in the drum."""
    return len(blocks) - (1 if blocks and blocks[0].crop == drum else 0)
