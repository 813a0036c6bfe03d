"""After power-up nothing is judged before it stands still, and nothing starts before that."""

from __future__ import annotations

from linectl.image import Frame, Inside, LaneSet, Move, Slot, Start
from linectl.line import Line

CONVEY = Start(
    inside=[Inside(7, "fill", "green_oakleaf", done=("fill",))],
    moves=[Move(5, "convey", 7, "fill", "tamp", "green_oakleaf", False, -4_000)],
    next_gutter=8,
    next_move=6,
)


def why_not(hand, name: str, unit: str = "sowing") -> str | None:
    hand.line.take_events()
    hand.command(unit, name)
    (told,) = [event for event in hand.line.take_events() if event.kind == "command"]
    return told.data["why"]


def test_an_empty_record_leaves_nothing_to_judge(hand):
    assert hand.line.recovery.judged
    assert hand.line.recovery_view()["moves"] == []


def test_nothing_is_judged_while_a_device_has_not_answered(hand_of):
    hand = hand_of(CONVEY)
    hand.healthy(silent="meter")
    for _ in range(30):
        hand.scan(ms=1_000)
    view = hand.line.recovery_view()
    assert not view["judged"] and view["waits_for"] == ["meter"]
    assert "not every device has answered" in hand.line.recovery.bars()
    assert "not every device has answered" in hand.obey("removed", "fill")


def test_a_gutter_that_runs_on_after_the_power_cut_is_judged_where_it_stops(hand_of):
    hand = hand_of(CONVEY)
    hand.healthy({"fill.exit_eye": True})
    hand.settle(1_500)
    hand.set("tamp.entry_eye", True)
    hand.settle(1_000)
    hand.set("fill.exit_eye", False)
    hand.judge()
    (told,) = hand.line.recovery_view()["moves"]
    assert told["verdict"] == "under_way" and hand.line.stations["tamp"].back == "leading"


def test_a_start_is_refused_until_the_machine_has_come_to_rest(hand_of):
    hand = hand_of(CONVEY)
    hand.healthy({"fill.exit_eye": True})
    hand.command("sowing", "reset")
    assert "not yet at rest" in why_not(hand, "start")
    hand.judge()
    assert why_not(hand, "start") is None


def test_an_eye_that_flickers_does_not_keep_the_line_waiting_for_ever(hand_of):
    hand = hand_of(CONVEY)
    hand.healthy({"fill.exit_eye": True})
    for number in range(60):
        hand.set("water.entry_eye", number % 2)
        hand.scan(ms=500)
    assert hand.line.recovery.judged


def test_a_device_that_falls_silent_while_waiting_is_waited_for(hand_of):
    hand = hand_of(CONVEY)
    hand.healthy({"fill.exit_eye": True})
    hand.quality("io_sower", False)
    for _ in range(40):
        hand.scan(ms=1_000)
    assert not hand.line.recovery.judged
    hand.quality("io_sower", True)
    hand.judge()


def test_the_dues_of_waiting_are_told(hand_of):
    hand = hand_of(CONVEY)
    hand.healthy({"fill.exit_eye": True})
    due = hand.line.next_due()
    assert due is not None
    while not hand.line.recovery.judged:
        due = hand.line.next_due()
        assert due is not None and due > hand.now
        hand.scan(ms=due - hand.now)


def test_a_line_taken_down_while_it_waits_goes_on_from_its_snapshot(hand_of):
    hand = hand_of(CONVEY)
    hand.healthy({"fill.exit_eye": True})
    hand.settle(1_000)
    other = Line(hand.site, CONVEY)
    other.restore(hand.line.snapshot())
    assert other.digest() == hand.line.digest()
    for _ in range(800):
        hand.scan()
        other.scan(Frame(), hand.now)
    assert hand.line.recovery.judged and other.digest() == hand.line.digest()
    assert other.recovery_view() == hand.line.recovery_view()


def test_of_two_open_moves_of_one_gutter_the_later_was_under_way(come_back):
    first = Move(3, "pick", 7, "turn", "infeed", "", False, -9_000)
    second = Move(9, "pick", 7, "turn", "infeed", "", False, -4_000)
    start = Start(inside=[Inside(7, "turn", "")], moves=[first, second])
    hand = come_back(start, turn__at_0=False, turn__at_90=True, turn__centred=True)
    assert [told["number"] for told in hand.line.recovery_view()["moves"]] == [9]
    assert not hand.line.open_moves


def test_numbers_go_on_behind_everything_that_the_record_names(come_back):
    start = Start(moves=[Move(41, "feed", 12, "stock", "magazine", "", False, -1)])
    hand = come_back(start)
    assert hand.line.new_gutter("stock") == 13
    assert hand.line.intend("feed", 13, "stock", "magazine") == 42


def test_a_reservation_is_kept_behind_the_watering_and_ends_before_it(come_back):
    start = Start(
        inside=[Inside(7, "seed", "green_oakleaf"), Inside(8, "tamp", "green_oakleaf")],
        reserved={1: 7, 2: 8},
    )
    hand = come_back(start, seed__exit_eye=True, tamp__exit_eye=True)
    one, two = hand.line.lanes.lanes
    assert one.reserved == 7 and two.reserved == 0
    words = [(word.kind, word.gutter, word.source) for word in hand.line.take_moves() if word.done]
    assert words == [("release", 8, "lane2.germ.0")]


def test_a_lane_that_a_person_locked_stays_locked_with_what_was_under_way_in_it(come_back):
    start = Start(
        moves=[Move(5, "stroke", -1, "lane1.germ", "lane1.germ", "", False, -4_000)],
        lanes={1: LaneSet("steady", "anna")},
    )
    hand = come_back(start, lane1__germ__home=False)
    lane = hand.line.lanes.by_id[1]
    assert lane.state == "out_of_service"
    assert hand.obey("in-service", "1", by="anna") is None
    assert (lane.state, lane.back) == ("faulted", "stroking")


def test_gutters_are_unverified_until_an_eye_or_a_person_has_seen_them(come_back):
    slots = [Slot(f"lane1.germ.{n}", 20 + n, "green_oakleaf", -9, 9) for n in range(4)]
    slots += [Slot("lane1.grow.7", -1, "", -9, 9)]
    eyes = ("lane1__germ__first_eye", "lane1__germ__last_eye", "lane1__grow__last_eye")
    hand = come_back(Start(slots=slots, next_gutter=30), **dict.fromkeys(eyes, True))
    assert hand.line.recovery_view()["unverified"] == 3  # two within the run, and one unnamed
    assert hand.obey("correct", "lane1.germ.1 21") is None
    assert hand.line.recovery_view()["unverified"] == 2
