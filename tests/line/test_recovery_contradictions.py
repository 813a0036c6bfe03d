"""One sensor that is wrong at power-up, a lane locked meanwhile: asked or faulted, never believed.

Each test says which sensor lies (or what a person did) and what would have been hurt.
"""

from __future__ import annotations

from linectl.image import Inside, LaneSet, Move, Slot, Start
from linectl.line.conveyor import SETTLE_SLACK_MS
from linectl.line.recovery.recovery import AGAIN_MS

G = 7
GREEN = "green_oakleaf"


def move(kind: str, source: str, dest: str, gutter: int = G) -> Move:
    return Move(5, kind, gutter, source, dest, GREEN, False, -4_000)


INSERT = Start(
    inside=[Inside(G, "infeed", GREEN)], moves=[move("insert", "infeed", "lane1.germ.0")]
)
PICK = Start(inside=[Inside(G, "turn", GREEN)], moves=[move("pick", "turn", "infeed")])
TAIL = Slot("lane1.grow.7", G, GREEN, -10_000, -5_000)
EJECT = Start(slots=[TAIL], moves=[move("eject", "lane1.grow.7", "outfeed")])
LIFT = Start(
    slots=[Slot("lane1.germ.3", G, GREEN, -10_000, 10_000)],
    moves=[move("transfer", "lane1.germ.3", "lane1.grow.0")],
)
FILLED = Start(
    inside=[Inside(G, "fill", GREEN, done=("fill",))], moves=[move("convey", "fill", "tamp")]
)


def part(hand, name: str):
    return next(part for part in hand.line.parts if part.name == name)


def verdicts(hand) -> list[tuple[str, str]]:
    return [(told["kind"], told["verdict"]) for told in hand.line.recovery_view()["moves"]]


def warn(hand, unit: str) -> None:
    for on in (True, False):
        hand.set(f"{unit}.horn_on", on)
        hand.set(f"{unit}.beacon_on", on)
        hand.settle(3_100 if on else 50)


# a lane locked while something of it was under way -----------------------------------------------


def test_an_insert_that_ends_in_a_lane_locked_meanwhile_leaves_it_locked(come_back):
    hand = come_back(INSERT)
    assert verdicts(hand) == [("insert", "asked")]
    assert hand.obey("out-of-service", "1", by="otto") is None  # whoever reaches in locks it
    hand.set("lane1.germ.first_eye", True)
    hand.settle(AGAIN_MS)
    lane = part(hand, "lane1")
    assert verdicts(hand) == [("insert", "done")]
    assert (lane.state, lane.locked_by, lane.slots[0][0]) == ("out_of_service", "otto", G)


def test_a_controller_comes_back_to_a_locked_lane_with_an_insert_done(come_back):
    lanes = {1: LaneSet("filling", "otto")}
    start = Start(inside=INSERT.inside, moves=INSERT.moves, lanes=lanes)
    hand = come_back(start, lane1__germ__first_eye=True)
    lane = part(hand, "lane1")
    assert verdicts(hand) == [("insert", "done")]
    assert (lane.state, lane.locked_by, lane.slots[0][0]) == ("out_of_service", "otto", G)


def test_a_controller_comes_back_to_a_locked_lane_with_an_eject_done(come_back):
    start = Start(slots=[TAIL], moves=EJECT.moves, lanes={1: LaneSet("steady", "otto")})
    hand = come_back(start, outfeed__on_board=True, outfeed__gripped=True)
    assert verdicts(hand) == [("eject", "done")]
    assert (part(hand, "lane1").state, part(hand, "outfeed").gutter) == ("out_of_service", G)


# an arm that says home and holds a gutter --------------------------------------------------------


def test_a_home_switch_that_sticks_does_not_end_an_insert_whose_grip_still_holds(come_back):
    """Else the carriage would drive off with its arm in the mouth."""
    hand = come_back(INSERT, lane1__germ__first_eye=True, infeed__gripped=True)
    assert verdicts(hand) == [("insert", "asked")]


def test_a_home_switch_that_sticks_does_not_undo_a_pick_whose_grip_holds(come_back):
    hand = come_back(
        PICK, turn__at_0=False, turn__at_90=True, turn__centred=True, infeed__gripped=True
    )
    assert verdicts(hand) == [("pick", "asked")]


# belts and tables --------------------------------------------------------------------------------


def test_a_blind_exit_eye_lets_no_second_gutter_be_drawn_into_the_first(come_back):
    """The gutter stands in fill, unseen; tamp cannot show it: fill must draw in nothing."""
    hand = come_back(FILLED)
    hand.set("tamp.running", True)
    hand.start()
    hand.settle(2_000)
    assert part(hand, "tamp").fault == "no_exit"
    hand.set("tamp.running", False)
    hand.command("sowing", "unhold")  # a person tries again without having looked
    hand.settle(50)
    warn(hand, "sowing")
    hand.settle(400)
    hand.set("magazine.gate_home", False)
    hand.settle(100)
    hand.set("magazine.gate_home", True)
    hand.set("magazine.exit_eye", True)
    hand.settle(500)
    assert part(hand, "magazine").state == "done"
    assert part(hand, "fill").state == "giving" and not hand.on("fill.run")


def test_a_gutter_that_no_tool_is_known_to_have_touched_does_not_count_as_worked(come_back):
    start = Start(
        inside=[Inside(G, "tamp", GREEN, done=("fill", "tamp"))],
        moves=[move("convey", "tamp", "water")],
        reserved={1: G},
    )
    hand = come_back(start)
    assert not part(hand, "water").worked


def test_a_turntable_whose_switches_contradict_does_not_run_its_belt(come_back):
    """At 90° its belt would push the gutter towards the carriage."""
    hand = come_back(
        Start(inside=[Inside(G, "turn", GREEN)]),
        turn__centred=True, turn__at_0=True, turn__at_90=True,
    )  # fmt: skip
    turn = part(hand, "turn")
    assert (turn.state, turn.back) == ("faulted", "turning")
    hand.start()
    assert not hand.on("turn.run")


def test_a_lift_gives_nothing_into_a_slot_whose_eye_sees_a_gutter(come_back):
    """One put in by hand while the power was off would be crushed."""
    up = {"lane1__lift__on_board": True, "lane1__lift__at_down": False, "lane1__lift__at_up": True}
    hand = come_back(LIFT, lane1__grow__first_eye=True, **up)
    hand.start()
    assert hand.obey("lane-resume", "1") is None
    hand.settle(500)
    lane = part(hand, "lane1")
    assert (lane.state, lane.fault) == ("faulted", "unload") and not hand.on("lane1.lift.belt")
    hand.set("lane1.grow.first_eye", False)
    assert hand.obey("lane-resume", "1") is None
    hand.settle(100)
    assert hand.on("lane1.lift.belt")


# a walk-round and what hangs between two places --------------------------------------------------


def test_a_gutter_under_way_is_not_corrected_into_a_slot(come_back):
    """It hangs in the grip: the record would have it twice."""
    hand = come_back(EJECT, outfeed__gripper_home=False, outfeed__gripped=True)
    assert verdicts(hand) == [("eject", "under_way")]
    assert "under way" in (hand.obey("correct", f"lane2.germ.1 {G}") or "")
    assert part(hand, "lane2").filled() == 0


def test_a_move_left_open_long_ago_does_not_bar_a_slot_from_correction(come_back):
    """An eject not done in an earlier boot; the carriage has carried another gutter since."""
    other = Inside(9, "outfeed", GREEN)
    start = Start(slots=[TAIL], inside=[other], moves=EJECT.moves)
    on_board = {"outfeed__on_board": True, "outfeed__gripped": True}
    hand = come_back(start, lane1__grow__last_eye=True, **on_board)
    assert hand.line.open_moves == {}
    assert hand.obey("correct", "lane1.grow.7 unknown") is None


# a lift that was found between its levels --------------------------------------------------------


def test_a_lift_between_its_levels_in_a_locked_lane_is_not_moved_after_the_unlock(come_back):
    """S31."""
    waits = Slot("lane1.germ.3", G, GREEN, -10_000, 10_000)
    start = Start(slots=[waits], lanes={1: LaneSet("steady", "otto")})
    hand = come_back(start, lane1__germ__last_eye=True, lane1__lift__at_down=False)
    hand.start()
    assert hand.obey("in-service", "1", by="otto") is None
    hand.settle(1_000)
    lane = part(hand, "lane1")
    assert (lane.state, lane.fault) == ("faulted", "between")
    assert "between its levels" in (hand.obey("lane-resume", "1") or "")
    hand.set("lane1.lift.at_down", True)
    assert hand.obey("lane-resume", "1") is None


def test_a_lift_between_its_levels_is_not_moved_once_its_lane_is_given_back(come_back):
    """S31: the lane was taken for an eject when the power was cut."""
    waits = Slot("lane1.germ.3", 9, GREEN, -10_000, 10_000)
    start = Start(slots=[waits, TAIL], moves=EJECT.moves)
    hand = come_back(
        start, lane1__germ__last_eye=True, lane1__lift__at_down=False,
        outfeed__gripper_home=False, outfeed__gripped=True,
    )  # fmt: skip
    assert part(hand, "lane1").state == "taken_by_harvest"
    hand.start()
    hand.set("outfeed.on_board", True)
    hand.set("outfeed.gripper_home", True)
    hand.settle(1_000)
    lane = part(hand, "lane1")
    assert (lane.state, lane.fault) == ("faulted", "between")


def test_a_question_about_a_transfer_stands_though_its_lift_is_between_its_levels(come_back):
    hand = come_back(LIFT, lane1__lift__at_down=False)
    asked = ["lane1.lift.transfer"]
    assert [q["id"] for q in hand.line.recovery_view()["questions"]] == asked
    hand.set("fill.exit_eye", True)
    hand.settle(AGAIN_MS)
    assert [q["id"] for q in hand.line.recovery_view()["questions"]] == asked


def test_a_lane_locked_while_faulted_says_so_again_when_it_is_unlocked(come_back):
    """Else it would stand for ever, and no alarm would say why."""
    stroke = Start(slots=[TAIL], moves=[move("stroke", "lane1.germ", "lane1.germ", -1)])
    hand = come_back(stroke, lane1__germ__home=False)
    assert hand.obey("out-of-service", "1", by="otto") is None
    assert "lane1.stroke" not in hand.line.alarms.standing
    assert hand.obey("in-service", "1", by="otto") is None
    assert part(hand, "lane1").state == "faulted"
    assert "lane1.stroke" in hand.line.alarms.standing


# whoever looks -----------------------------------------------------------------------------------


def test_a_hand_before_an_eye_does_not_answer_the_question_that_sent_it_there(come_back):
    """Asked whether a gutter lies in the mouth, a person reaches in: no insert was done by that."""
    hand = come_back(INSERT)
    hand.line.take_moves()
    hand.set("lane1.germ.first_eye", True)
    hand.settle(AGAIN_MS - 1_000)
    hand.set("lane1.germ.first_eye", False)
    hand.settle(AGAIN_MS + 1_000)
    assert verdicts(hand) == [("insert", "asked")]
    assert hand.line.take_moves() == [] and part(hand, "lane1").filled() == 0
    hand.set("lane1.germ.first_eye", True)
    assert hand.line.next_due() == hand.now + AGAIN_MS
    hand.settle(AGAIN_MS)
    assert verdicts(hand) == [("insert", "done")]


# two zones that both see the one gutter ----------------------------------------------------------


BOTH = {"fill__exit_eye": True, "tamp__exit_eye": True}


def test_a_gutter_that_two_zones_see_at_their_ends_is_asked_about(come_back):
    hand = come_back(FILLED, **BOTH)
    assert verdicts(hand) == [("convey", "asked")]
    assert list(hand.line.recovery.questions) == ["tamp.between"]
    assert "both exit eyes see one" in str(hand.line.recovery.bars())


def test_the_eye_that_was_wrong_at_the_far_end_leaves_it_where_it_was(come_back):
    hand = come_back(FILLED, **BOTH)
    hand.set("tamp.exit_eye", False)
    hand.settle(AGAIN_MS)
    assert verdicts(hand) == [("convey", "not_done")] and not hand.line.recovery.questions
    assert (part(hand, "fill").state, part(hand, "fill").gutter) == ("done", G)
    assert part(hand, "tamp").gutter == 0


def test_the_eye_that_was_wrong_at_the_near_end_tells_it_done(come_back):
    hand = come_back(FILLED, **BOTH)
    hand.set("fill.exit_eye", False)
    hand.settle(AGAIN_MS)
    assert verdicts(hand) == [("convey", "done")] and not hand.line.recovery.questions
    assert (part(hand, "fill").gutter, part(hand, "tamp").gutter) == (0, G)


# a belt that starts from a standstill ------------------------------------------------------------


def test_the_last_stretch_has_the_ramp_of_a_belt_that_starts_from_a_standstill(come_back):
    hand = come_back(FILLED)
    tamp = part(hand, "tamp")
    tamp.state = "settling"
    tamp.rearm(hand.line.now)
    way_ms = tamp.timeout("settling") - SETTLE_SLACK_MS
    assert tamp.due - hand.line.now - way_ms == SETTLE_SLACK_MS + tamp.facts.ramp_ms
