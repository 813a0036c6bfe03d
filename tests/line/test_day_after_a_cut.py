"""Today's list after a power cut: each gutter is counted down once, and only once."""

from __future__ import annotations

import pytest

from linectl.image import DayLeft, Inside, Move, Slot, Start
from linectl.line import Line

GREEN = "green_oakleaf"
TAIL = Slot("lane1.grow.7", 7, GREEN, -9_000, -5_000)
LIST = {1: DayLeft(((GREEN, 2),), 3), 2: DayLeft((), 4)}
EJECT = Start(
    slots=[TAIL],
    moves=[Move(5, "eject", 7, "lane1.grow.7", "outfeed", GREEN, False, -4_000)],
    day=LIST,
)
ABOARD = {"outfeed__on_board": True, "outfeed__gripped": True}
STANDS = {"lane1__grow__last_eye": True}


def said(hand) -> list[tuple[str, object]]:
    told = (event for event in hand.line.take_events() if event.kind == "day_list")
    return [(event.source, event.data["pull"]) for event in told]


def test_a_start_has_the_list_as_the_record_counted_it_down(small):
    line = Line(small, Start(day=LIST))
    assert line.day.status() == {
        "lanes": [
            {"lane": 1, "sow": [{"crop": GREEN, "gutters": 2}], "pull": 3},
            {"lane": 2, "sow": [], "pull": 4},
        ]
    }
    assert not Line(small).day.stands
    assert not Line(small, Start(day={99: DayLeft((), 1)})).day.stands  # a lane that is no more


@pytest.mark.parametrize(
    ("seen", "verdict", "left"), [(ABOARD, "done", 2), (STANDS, "not_done", 3)]
)
def test_an_eject_that_was_under_way_is_counted_if_it_was_done(come_back, seen, verdict, left):
    hand = come_back(EJECT, **seen)
    assert hand.line.recovery.moves[5][1] == verdict
    assert hand.line.day.pull == {1: left, 2: 4}
    assert said(hand) == ([("lane1", 2)] if verdict == "done" else [])


def test_an_eject_that_ends_after_the_start_is_counted_then_and_once(come_back):
    seen = {**STANDS, "outfeed__gripper_home": False, "outfeed__gripper_out": True,
            "outfeed__gripped": True}  # fmt: skip
    hand = come_back(EJECT, **seen)
    assert hand.line.recovery.moves[5][1] == "under_way"
    assert hand.line.day.pull[1] == 3
    hand.start()
    hand.set("lane1.grow.last_eye", False)
    hand.set("outfeed.gripper_out", False)
    hand.set("outfeed.on_board", True)
    hand.set("outfeed.gripper_home", True)
    hand.settle(100)
    assert hand.line.stations["outfeed"].gutter == 7
    assert hand.line.day.pull[1] == 2
    assert said(hand) == [("lane1", 2)]


def test_an_eject_told_done_before_the_cut_is_not_counted_again(come_back):
    start = Start(inside=[Inside(7, "outfeed", GREEN, -9, -5)], day=LIST)
    hand = come_back(start, **ABOARD)
    assert hand.line.stations["outfeed"].state == "loaded"
    assert hand.line.day.pull[1] == 3 and said(hand) == []


def test_a_reservation_of_before_the_cut_was_counted_then(come_back):
    worked = ("fill", "tamp", "water", "seed")
    start = Start(
        inside=[Inside(7, "seed", GREEN, -9, 9, -9, done=worked)], reserved={1: 7}, day=LIST
    )
    hand = come_back(start, seed__exit_eye=True)
    assert hand.line.lanes.by_id[1].reserved == 7
    assert hand.line.day.sow[1] == [[GREEN, 2]]


def test_a_reservation_that_is_released_is_counted_back_once(come_back):
    inside = [Inside(7, "tamp", GREEN, done=("fill", "tamp"))]
    start = Start(inside=inside, reserved={1: 7}, day=LIST)
    hand = come_back(start, tamp__exit_eye=True)
    assert hand.line.lanes.by_id[1].reserved == 0
    assert hand.line.day.sow[1] == [[GREEN, 3]]
    moves = [
        Move(5, "convey", 7, "tamp", "water", GREEN, False, -4_000)
    ]  # not taken: it still stands at tamp
    again = Start(inside=inside, reserved={1: 7}, moves=moves, day=LIST)
    assert come_back(again, tamp__exit_eye=True).line.day.sow[1] == [[GREEN, 3]]
