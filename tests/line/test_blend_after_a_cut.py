"""A blend after a power cut: each ejected gutter is counted once, and what is owed stays owed."""

from __future__ import annotations

import pytest

from linectl.image import Inside, Move, Slot, Start
from linectl.line import Line

GREEN, RED = "green_oakleaf", "red_oakleaf"
LEFT = {
    "stage": "went", "run": 3, "name": "duo", "by": "anna", "cycle": {GREEN: 2, RED: 1},
    "place": 2, "owed": [RED], "beside": 0,
    "counts": [[1, 1, 0, 0, 0, 0, 0], [1, 0, 1, 0, 0, 0, 0]],
}  # fmt: skip
"""One green gone, red skipped: green's turn again, and red owed."""
EJECT = Start(
    slots=[Slot("lane1.grow.7", 7, GREEN, -9_000, -5_000)],
    moves=[Move(5, "eject", 7, "lane1.grow.7", "outfeed", GREEN, False, -4_000)],
    blend=LEFT,
)
ABOARD = {"outfeed__on_board": True, "outfeed__gripped": True}
STANDS = {"lane1__grow__last_eye": True}


@pytest.mark.parametrize(
    ("seen", "verdict", "gone"), [(ABOARD, "done", 2), (STANDS, "not_done", 1)]
)
def test_an_eject_that_was_under_way_is_counted_if_it_was_done(come_back, seen, verdict, gone):
    hand = come_back(EJECT, **seen)
    blend = hand.line.order.blend
    assert hand.line.recovery.moves[5][1] == verdict
    assert (blend.gone, blend.owed) == ([gone, 0], [RED])
    told = [event for event in hand.line.take_events() if event.kind == "blend"]
    assert [event.data["crop"] for event in told] == ([GREEN] if verdict == "done" else [])


def test_an_eject_told_done_before_the_cut_is_not_counted_again(come_back):
    hand = come_back(Start(inside=[Inside(7, "outfeed", GREEN, -9, -5)], blend=LEFT), **ABOARD)
    assert hand.line.order.blend.gone == [1, 0]


def test_the_run_goes_on_by_its_number_and_the_next_blend_has_the_next(small):
    line = Line(small, Start(blend=LEFT))
    assert line.order.run == 3 and line.order.blend.turn() == GREEN
    line.order.begin("", "ben", {}, ())
    assert line.order.run == 4 and line.order.status() is None


def test_a_blend_of_a_crop_that_the_site_no_longer_has_is_followed_no_more(small):
    line = Line(small, Start(blend={**LEFT, "cycle": {GREEN: 2, "gone": 1}}))
    assert not line.order.blend and line.order.run == 3
