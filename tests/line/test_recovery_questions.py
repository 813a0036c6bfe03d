"""What a person is asked after a power cut, what may be answered, and when a question ends."""

from __future__ import annotations

import pytest

from linectl.image import Inside, Move, Slot, Start
from linectl.line import Line

GREEN = "green_oakleaf"


def move(kind: str, source: str, dest: str, gutter: int = 7, number: int = 5) -> Move:
    return Move(number, kind, gutter, source, dest, GREEN, False, -4_000)


INSERT = Start(
    inside=[Inside(7, "infeed", GREEN)],
    moves=[move("insert", "infeed", "lane1.germ.0")],
    reserved={1: 7},
)
HANDOVER = Start(
    inside=[Inside(7, "turnout", GREEN)], moves=[move("handover", "turnout", "packing")]
)
WATERING = Start(
    inside=[Inside(7, "tamp", GREEN, done=("fill", "tamp"), begun=("water",))],
    moves=[move("convey", "tamp", "water"), move("process", "water", "water", number=6)],
    reserved={1: 7},
)


def asked(hand) -> list[str]:
    return [question["id"] for question in hand.line.recovery_view()["questions"]]


def words(hand) -> list[tuple[str, str, str]]:
    return [(word.kind, word.source, word.dest) for word in hand.line.take_moves() if word.done]


def test_units_refuse_a_start_while_a_question_stands_and_why_names_it(come_back):
    hand = come_back(INSERT)
    assert asked(hand) == ["infeed.put"]
    hand.command("harvest", "reset")
    hand.line.take_events()
    hand.command("harvest", "start")
    (told,) = [event for event in hand.line.take_events() if event.kind == "command"]
    assert "infeed.put" in told.data["why"]
    assert hand.line.why("sowing", hand.now)[0]["step"] == "recovery"
    assert "recovery" in hand.line.alarms.standing


def test_an_answer_is_kept_with_name_and_words_and_ends_the_alarm(come_back):
    hand = come_back(INSERT)
    hand.line.take_events()
    hand.line.take_moves()
    assert hand.obey("answer", "infeed.put removed", by="") is not None
    hand.settle(20)
    hand.command("", "answer", "infeed.put removed", by="bela")
    (told,) = [event for event in hand.line.take_events() if event.kind == "answer"]
    assert (told.data["question"], told.data["choice"]) == ("infeed.put", "removed")
    assert told.data["by"] == "bela" and "gutter 7" in told.data["text"]
    assert asked(hand) == [] and "recovery" not in hand.line.alarms.standing
    assert words(hand) == [("correct", "infeed", "removed")]
    assert 7 not in hand.line.gutters and hand.line.lanes.by_id[1].reserved == 0


@pytest.mark.parametrize(
    ("answer", "why"),
    [
        ("infeed.put", "answer ID CHOICE"),
        ("lane9.mouth hole", "no question"),
        ("infeed.put perhaps", "removed"),
    ],
)
def test_an_answer_that_fits_no_question_is_refused_with_what_would(come_back, answer, why):
    hand = come_back(INSERT)
    assert why in hand.obey("answer", answer)
    assert asked(hand) == ["infeed.put"]


def test_an_answer_that_a_sensor_contradicts_is_refused(come_back):
    both = {"infeed__on_board": True, "lane1__germ__first_eye": True}
    hand = come_back(INSERT, **both)
    assert "still sees a gutter" in hand.obey("answer", "infeed.put removed")
    assert asked(hand) == ["infeed.put"]


def test_a_question_ends_by_itself_when_the_sensors_settle_it(come_back):
    hand = come_back(INSERT)
    hand.line.take_moves()
    hand.set("lane1.germ.first_eye", True)
    hand.settle(5_100)
    assert asked(hand) == []
    assert words(hand) == [("insert", "infeed", "lane1.germ.0")]
    assert hand.line.lanes.by_id[1].slots[0][0] == 7


def test_packing_may_be_answered_for_and_its_late_word_answers_too(come_back):
    hand = come_back(HANDOVER)
    hand.line.take_moves()
    assert hand.obey("answer", "turnout.handover taken") is None
    assert words(hand) == [("handover", "turnout", "packing")]
    late = come_back(HANDOVER)
    late.line.take_moves()
    late.set("packing.taken", True)
    late.settle(5_100)
    assert asked(late) == [] and words(late) == [("handover", "turnout", "packing")]


def test_a_gutter_that_a_person_sees_half_out_is_handed_on_after_a_start(come_back):
    hand = come_back(HANDOVER, turnout__at_0=True, turnout__at_90=False)
    assert hand.obey("answer", "turnout.handover half_out") is None
    assert not hand.on("packing.offer")
    hand.start()
    assert hand.on("packing.offer") and hand.on("turnout.run")


def test_a_gutter_that_a_tool_may_have_begun_on_is_one_question(come_back):
    hand = come_back(WATERING, water__exit_eye=True)
    assert asked(hand) == ["water.partial"]
    (question,) = hand.line.recovery_view()["questions"]
    assert [choice["choice"] for choice in question["answers"]] == ["finish", "reject"]
    assert "Lock out zone sowing" in question["caution"]
    hand.line.take_moves()
    assert hand.obey("answer", "water.partial finish") is None
    hand.start()
    assert hand.line.stations["water"].state in ("done", "giving")
    assert ("process", "water", "water") in words(hand)


def test_a_gutter_between_the_eyes_after_its_tool_is_asked_about_once(come_back):
    hand = come_back(WATERING)
    assert asked(hand) == ["water.partial"]
    assert hand.obey("answer", "water.partial finish") is None
    hand.start()
    hand.set("water.exit_eye", True)
    hand.settle(50)
    hand.set("water.flow_pulses", 1)
    hand.settle(100)
    assert hand.line.stations["water"].state == "done"
    assert asked(hand) == [] and "water.partial" not in hand.line.alarms.standing


def test_a_tamped_gutter_may_be_tamped_again(come_back):
    start = Start(
        inside=[Inside(7, "tamp", GREEN, begun=("tamp",))],
        moves=[move("process", "tamp", "tamp", number=6)],
    )
    hand = come_back(start, tamp__exit_eye=True)
    assert hand.obey("answer", "tamp.partial redo") is None
    hand.start()
    assert hand.on("tamp.clamp")


def test_a_gutter_whose_work_is_known_done_is_not_worked_again(come_back):
    start = Start(
        inside=[Inside(7, "tamp", GREEN, wet_at=-5_000, done=("fill", "tamp", "water"))],
        moves=[move("convey", "tamp", "water")],
        reserved={1: 7},
    )
    hand = come_back(start)
    hand.start()
    hand.set("water.exit_eye", True)
    hand.settle(50)
    hand.set("water.flow_pulses", 1)
    hand.settle(100)
    assert hand.line.stations["water"].state == "done"
    assert asked(hand) == [] and not hand.on("water.valve")


def test_a_mouth_that_shows_what_the_record_does_not_have_is_asked_about(come_back):
    hand = come_back(Start(slots=[Slot("lane2.grow.3", 4, GREEN, -9, 9)]), lane1__germ__first_eye=1)
    (question,) = hand.line.recovery_view()["questions"]
    assert question["id"] == "lane1.mouth"
    assert question["text"].startswith("Lane 1: is there a gutter in the mouth?")
    assert "Lock out zone lanes" in question["caution"]
    assert "still sees" in hand.obey("answer", "lane1.mouth hole")
    hand.line.take_moves()
    assert hand.obey("answer", "lane1.mouth gutter") is None
    assert hand.line.lanes.by_id[1].slots[0][0] == -1
    assert words(hand) == [("correct", "removed", "lane1.germ.0")]


def test_a_tail_that_does_not_show_what_the_record_has_is_asked_about(come_back):
    start = Start(slots=[Slot("lane1.grow.7", 4, GREEN, -9, 9)])
    gone = come_back(start)
    assert asked(gone) == ["lane1.tail"]
    assert gone.obey("answer", "lane1.tail hole") is None
    assert gone.line.lanes.by_id[1].slots[1][7] == 0 and 4 not in gone.line.gutters
    stays = come_back(start)
    assert stays.obey("answer", "lane1.tail gutter") is None
    stays.set("lane1.grow.first_eye", True)
    stays.settle(5_100)
    assert asked(stays) == [] and stays.line.lanes.by_id[1].slots[1][7] == 4


def test_an_answered_question_is_not_asked_again_while_another_stands(come_back):
    start = Start(slots=[Slot("lane1.grow.7", 4, GREEN, -9, 9)])
    hand = come_back(start, lane1__germ__first_eye=True)
    assert hand.obey("answer", "lane1.tail gutter") is None
    hand.set("lane1.germ.last_eye", True)
    hand.set("lane1.germ.last_eye", False)
    hand.settle(5_100)
    assert asked(hand) == ["lane1.mouth"]
    assert "mouth" in hand.line.alarms.standing["recovery"].text


def test_questions_and_verdicts_outlast_a_snapshot(come_back):
    hand = come_back(INSERT)
    other = Line(hand.site, INSERT)
    other.restore(hand.line.snapshot())
    assert other.recovery_view() == hand.line.recovery_view()
    assert other.digest() == hand.line.digest()


def test_a_correction_names_what_stands_in_a_slot_and_ends_its_question(come_back):
    slots = [Slot("lane1.grow.3", 4, GREEN, -9, 9)]
    hand = come_back(Start(slots=slots, next_gutter=9), lane1__germ__first_eye=True)
    assert "no gutter 77" in hand.obey("correct", "lane1.germ.0 77")
    assert "say who" in hand.obey("correct", "lane1.germ.0 4", by="")
    hand.line.take_moves()
    assert hand.obey("correct", "lane1.germ.0 4") is None
    lane = hand.line.lanes.by_id[1]
    assert lane.slots[0][0] == 4 and lane.slots[1][3] == 0
    assert words(hand) == [("correct", "lane1.grow.3", "lane1.germ.0")]
    assert asked(hand) == []


def test_a_correction_replaces_what_the_record_had_there(come_back):
    slots = [Slot("lane1.grow.3", 4, GREEN, -9, 9), Slot("lane1.grow.5", 3, GREEN, -9, 9)]
    hand = come_back(Start(slots=slots, next_gutter=9))
    hand.line.take_moves()
    assert hand.obey("correct", "lane1.grow.5 4") is None
    assert hand.line.lanes.by_id[1].slots[1][3:6] == [0, 0, 4] and 3 not in hand.line.gutters
    assert words(hand) == [
        ("correct", "lane1.grow.5", "removed"),
        ("correct", "lane1.grow.3", "lane1.grow.5"),
    ]
    assert hand.obey("correct", "lane1.grow.5 unknown") is None
    assert words(hand) == [
        ("correct", "lane1.grow.5", "removed"),
        ("correct", "removed", "lane1.grow.5"),
    ]
    assert "correct SLOT" in hand.obey("correct", "lane1.grow.5 0")
    assert "no slot" in hand.obey("correct", "lane1.nave.5 hole")
    assert "slots 0 to 7" in hand.obey("correct", "lane1.grow.8 hole")


def test_a_slot_of_a_run_that_stands_mid_stroke_is_corrected_only_when_it_has_finished(come_back):
    start = Start(
        slots=[Slot("lane1.germ.2", 4, GREEN, -9, 9)],
        moves=[move("stroke", "lane1.germ", "lane1.germ", gutter=-1)],
    )
    hand = come_back(start, lane1__germ__home=False)
    assert "move 5 (stroke)" in hand.obey("correct", "lane1.germ.2 hole")
