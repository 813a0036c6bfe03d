"""The order of a day's sowing: as few changes of crop as there can be, each lane in its order."""

from __future__ import annotations

import random
from itertools import product

import pytest

from linectl.crop.plan.model import LaneDay
from linectl.crop.plan.sequence import Block, changes, majority, shortest, sowing_order

CROPS = "abc"


def lanes_of(seed: int) -> dict[int, tuple[tuple[str, int], ...]]:
    rng = random.Random(seed)
    rows = {}
    for lane in range(1, rng.randint(2, 4) + 1):
        crops = [rng.choice(CROPS)]
        while rng.random() < 0.5 and len(crops) < 3:
            crops.append(rng.choice([crop for crop in CROPS if crop != crops[-1]]))
        rows[lane] = tuple((crop, rng.randint(1, 5)) for crop in crops)
    return rows


def contains(order: tuple[str, ...], wanted: list[str]) -> bool:
    left = iter(order)
    return all(crop in left for crop in wanted)


def fewest(rows, drum: str) -> int:
    """Changes of the shortest common supersequence, by trying every sequence of crops."""
    wanted = [[crop for crop, _ in row] for row in rows.values()]
    for length in range(1, 9):
        for order in product(CROPS, repeat=length):
            if all(contains((drum, *order), each) for each in wanted):
                return length
    raise AssertionError("longer than any day")


@pytest.mark.parametrize("seed", range(25))
def test_a_day_has_as_few_changes_as_trying_every_sequence_finds(seed):
    rows, drum = lanes_of(seed), "a"
    if all(len(row) == 1 and row[0][0] == drum for row in rows.values()):
        return
    crops = shortest(rows, drum)
    assert crops is not None
    assert len(crops) - (crops[0] == drum) == fewest(rows, drum)
    assert len(majority(rows, drum)) >= len(crops)


@pytest.mark.parametrize("seed", range(25))
def test_a_days_blocks_are_its_lanes_rows_in_their_order(seed):
    rows = lanes_of(seed)
    day = [LaneDay(lane, 0, (), row) for lane, row in rows.items()]
    for crops in (sowing_order(day, "a"), _by_majority(day)):
        for lane, row in rows.items():
            sown = [(b.crop, n) for b in crops for each, n in b.lanes if each == lane]
            assert tuple(sown) == row


def _by_majority(day):
    from linectl.crop.plan import sequence

    most, sequence.STATES_MAX = sequence.STATES_MAX, 0
    try:
        return sowing_order(day, "b")
    finally:
        sequence.STATES_MAX = most


def test_a_crop_for_one_lane_alone_takes_two_takts_a_gutter():
    assert Block("a", ((1, 24),)).takts == 48
    assert Block("a", ((1, 24), (2, 24))).takts == 48
    assert Block("a", ((1, 10), (2, 9), (3, 9))).takts == 28


def test_going_on_with_the_crop_in_the_drum_is_no_change():
    day = [LaneDay(1, 0, (), (("b", 2), ("a", 1))), LaneDay(2, 0, (), (("b", 3),))]
    blocks = sowing_order(day, "b")
    assert [block.crop for block in blocks] == ["b", "a"]
    assert (changes(blocks, "b"), changes(blocks, "a")) == (1, 2)
