"""After a power cut and a person's start, what was interrupted is finished by the usual course."""

from __future__ import annotations

import pytest

from linectl.image import Inside, Move, Slot, Start

GREEN = "green_oakleaf"
STROKE = Start(
    slots=[Slot("lane1.germ.2", 7, GREEN, -9_000, 9_000)],
    moves=[Move(5, "stroke", -1, "lane1.germ", "lane1.germ", "", False, -4_000)],
)
LIFT = Start(
    slots=[Slot("lane1.germ.3", 7, GREEN, -9_000, 9_000)],
    moves=[Move(5, "transfer", 7, "lane1.germ.3", "lane1.grow.0", GREEN, False, -4_000)],
)


def done(hand) -> list[tuple[int, str]]:
    return [(word.number, word.kind) for word in hand.line.take_moves() if word.done]


def test_a_gutter_across_an_eye_is_drawn_on_and_its_old_move_told_done(come_back):
    start = Start(
        inside=[Inside(7, "seed", GREEN, -9, 9, -9, done=("fill", "tamp", "water", "seed"))],
        moves=[Move(5, "convey", 7, "seed", "turn", GREEN, False, -4_000)],
        reserved={1: 7},
    )
    hand = come_back(start, seed__exit_eye=True, turn__entry_eye=True)
    assert not hand.on("turn.run")
    hand.start()
    assert hand.on("turn.run") and hand.on("seed.run")
    hand.set("seed.exit_eye", False)
    hand.set("turn.entry_eye", False)
    hand.set("turn.exit_eye", True)
    hand.settle(50)
    assert (5, "convey") in done(hand)
    assert hand.line.stations["turn"].gutter == 7 and hand.line.stations["seed"].gutter == 0


def test_a_gutter_that_was_not_yet_taken_is_taken_under_a_new_number(come_back):
    start = Start(
        inside=[Inside(7, "seed", GREEN, -9, 9, -9, done=("fill", "tamp", "water", "seed"))],
        moves=[Move(5, "convey", 7, "seed", "turn", GREEN, False, -4_000)],
        reserved={1: 7},
    )
    hand = come_back(start, seed__exit_eye=True)
    hand.start()
    (move,) = [move for move in hand.line.open_moves.values() if move.kind == "convey"]
    assert move.gutter == 7 and move.number > 5


def test_a_gutter_before_its_tool_is_told_to_the_record_before_the_tool_comes_on(come_back):
    start = Start(
        inside=[Inside(7, "tamp", "", done=("fill", "tamp"))],
        moves=[Move(5, "convey", 7, "tamp", "water", GREEN, False, -4_000)],
        reserved={1: 7},
    )
    hand = come_back(start, tamp__exit_eye=True, water__entry_eye=True)
    hand.start()
    told = [(word.kind, word.source) for word in hand.line.take_moves() if not word.done]
    assert told == [("process", "water")]
    hand.set("tamp.running", True)
    hand.set("water.running", True)
    for _ in range(100):
        hand.scan(ms=20)
        if hand.on("water.valve"):
            break
    assert hand.on("water.valve") and hand.line.gutters[7].crop == GREEN


def test_a_stroke_between_its_ends_waits_for_a_persons_word_and_goes_forward_only(come_back):
    """S31."""
    hand = come_back(STROKE, lane1__germ__home=False)
    hand.start()
    hand.settle(2_000)
    assert not hand.on("lane1.germ.stroke") and not hand.on("lane1.germ.back")
    assert hand.obey("lane-resume", "1") is None
    hand.settle(100)
    assert hand.on("lane1.germ.stroke") and not hand.on("lane1.germ.back")
    hand.set("lane1.germ.forward", True)
    hand.set("lane1.germ.last_eye", True)
    hand.settle(50)
    assert (5, "stroke") in done(hand) and hand.on("lane1.germ.back")
    assert hand.line.lanes.by_id[1].slots[0] == [0, 0, 0, 7]


def test_a_stroke_found_forward_goes_home_after_a_start(come_back):
    hand = come_back(
        STROKE, lane1__germ__home=False, lane1__germ__forward=True, lane1__germ__last_eye=True
    )
    assert (5, "stroke") in done(hand)
    hand.settle(1_000)
    assert not hand.on("lane1.germ.back")
    hand.start()
    assert hand.on("lane1.germ.back")


def test_a_lift_between_its_levels_is_not_moved_and_not_resumed(come_back):
    hand = come_back(LIFT, lane1__lift__on_board=True, lane1__lift__at_down=False)
    hand.start()
    assert "between its levels" in hand.obey("lane-resume", "1")
    hand.settle(2_000)
    assert not [tag for tag in hand.outputs_on() if tag.startswith("lane1.lift")]
    hand.set("lane1.lift.at_up", True)
    assert hand.obey("lane-resume", "1") is None
    hand.settle(100)
    assert hand.on("lane1.lift.belt")
    hand.set("lane1.lift.on_board", False)
    hand.set("lane1.grow.first_eye", True)
    hand.settle(50)
    assert (5, "transfer") in done(hand)


def test_an_empty_lift_between_its_levels_is_named_and_released_at_a_level(come_back):
    hand = come_back(
        Start(slots=[Slot("lane2.grow.3", 7, GREEN, -9, 9)]), lane1__lift__at_down=False
    )
    lane = hand.line.lanes.by_id[1]
    assert lane.state == "faulted" and "lane1.between" in hand.line.alarms.standing
    assert "between its levels" in hand.obey("lane-resume", "1")
    hand.set("lane1.lift.at_down", True)
    assert hand.obey("lane-resume", "1") is None
    assert lane.state == "available" and "lane1.between" not in hand.line.alarms.standing


def test_what_hangs_in_the_grip_is_held_and_brought_on_board_after_a_start(come_back):
    start = Start(
        inside=[Inside(7, "turn", GREEN, -9, 9, -9)],
        moves=[Move(5, "pick", 7, "turn", "infeed", GREEN, False, -4_000)],
        reserved={1: 7},
    )
    hand = come_back(
        start, turn__at_0=False, turn__at_90=True, infeed__gripped=True,
        infeed__gripper_home=False,
    )  # fmt: skip
    assert hand.on("infeed.grip") and not hand.on("infeed.retract")
    hand.start()
    assert hand.on("infeed.grip") and hand.on("infeed.retract")
    hand.set("infeed.on_board", True)
    hand.set("infeed.gripper_home", True)
    hand.settle(50)
    assert (5, "pick") in done(hand) and hand.line.ends.infeed.gutter == 7


def test_nothing_is_offered_to_packing_before_a_start(come_back):
    start = Start(
        inside=[Inside(7, "turnout", GREEN)],
        moves=[Move(5, "handover", 7, "turnout", "packing", GREEN, False, -4_000)],
    )
    hand = come_back(start, turnout__exit_eye=True, turnout__at_0=True, turnout__at_90=False)
    hand.settle(1_000)
    assert not hand.on("packing.offer")
    hand.start()
    assert hand.on("packing.offer") and hand.on("turnout.run")


@pytest.mark.parametrize("turned", [False, True])
@pytest.mark.parametrize(
    ("fill_exit", "verdict", "state"),
    [(True, "done", "done"), (False, "under_way", "faulted")],
)
def test_a_gutter_that_has_left_wholly_is_not_lost_behind_the_next_one(
    come_back, fill_exit, verdict, state, turned
):
    two = [Inside(7, "magazine", ""), Inside(8, "magazine", "")]
    start = Start(
        inside=two[::-1] if turned else two,
        moves=[Move(5, "convey", 7, "magazine", "fill", "", False, -4_000)],
    )
    hand = come_back(start, magazine__exit_eye=True, fill__exit_eye=fill_exit)
    (told,) = hand.line.recovery_view()["moves"]
    assert (told["gutter"], told["verdict"]) == (7, verdict)
    fill, magazine = hand.line.stations["fill"], hand.line.stations["magazine"]
    assert (fill.gutter, fill.state) == (7, state)
    assert (magazine.gutter, magazine.state) == (8, "done")
