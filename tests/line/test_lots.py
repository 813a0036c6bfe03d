"""Lots are named by a person, told and kept; a site that wants them named is told what is not."""

from __future__ import annotations

import json

import pytest

from linectl.image import Loaded
from linectl.line import Line
from linectl.line.lot_commands import LENGTH_MAX, MASS_KG_MAX


def told(hand, kind):
    return [event for event in hand.line.take_events() if event.kind == kind]


def loaded(line):
    return {(row["kind"], row["crop"]): row["lot"] for row in line.status(line.now)["lots"]}


@pytest.fixture
def wanting(small, hand_at_work):
    """A line at work whose site wants its lots named."""
    sowing = small.file.sowing.model_copy(update={"name_lots": True})
    file = small.file.model_copy(update={"sowing": sowing})
    return hand_at_work(small.model_copy(update={"file": file}))


@pytest.mark.parametrize(
    ("words", "data"),
    [("substrate PEAT-7", {"kind": "substrate", "crop": "", "lot": "PEAT-7", "by": "anna"}),
     ("seed rocket S-9", {"kind": "seed", "crop": "rocket", "lot": "S-9", "by": "anna"}),
     ("packing P1", {"kind": "packing", "crop": "", "lot": "P1", "by": "anna"})],
)  # fmt: skip
def test_a_named_lot_is_told_and_shown(hand, words, data):
    hand.line.take_events()
    hand.command("", "lot", words, "anna")
    (event,) = told(hand, "lot")
    assert (event.source, event.data) == (data["kind"], data)
    assert loaded(hand.line)[data["kind"], data["crop"] or None] == data["lot"]


def test_status_says_what_is_used_and_has_no_name(hand):
    assert loaded(hand.line) == {
        ("substrate", None): None, ("seed", "green_oakleaf"): None, ("packing", None): None,
    }  # fmt: skip


def test_each_crop_has_a_seed_lot_of_its_own(hand):
    assert hand.obey("lot", "seed rocket R-1") is None
    assert hand.obey("lot", "seed green_oakleaf G-1") is None
    assert hand.obey("lot", "seed rocket R-2") is None
    assert loaded(hand.line)["seed", "rocket"] == "R-2"
    assert loaded(hand.line)["seed", "green_oakleaf"] == "G-1"


def test_a_lot_that_nobody_knows_ends_the_one_before(hand):
    assert hand.obey("lot", "substrate PEAT-7") is None
    hand.command("", "lot", "substrate none", "anna")
    assert [event.data["lot"] for event in told(hand, "lot")] == [""]
    assert loaded(hand.line)["substrate", None] is None


@pytest.mark.parametrize(
    ("name", "words", "why"),
    [("lot", "", "lot substrate LOT"), ("lot", "peat X", "lot substrate LOT"),
     ("lot", "seed X", "lot seed CROP LOT"), ("lot", "packing two words", "lot packing LOT"),
     ("lot", "seed rockett R-1", "rocket"),
     ("lot", "packing " + "x" * (LENGTH_MAX + 1), "40 are the most"),
     ("lot", "packing a\x07b", "cannot be printed"), ("lot", "packing =1+1", "formula"),
     ("weight", "P1", "weight LOT MASS"), ("weight", "P1 12.5stone", "12.5kg, 800g"),
     ("weight", "P1 0kg", "more than nothing"), ("weight", "P1 99999kg", "at most"),
     ("weight", "P1 1kg rockett", "rocket"), ("weight", "none 1kg", "name the packing lot")],
)  # fmt: skip
def test_wrong_words_are_refused_with_the_right_ones_and_nothing_is_told(hand, name, words, why):
    assert why in hand.obey(name, words)
    assert told(hand, name) == []
    assert set(loaded(hand.line).values()) == {None}


@pytest.mark.parametrize(("name", "words"), [("lot", "packing P1"), ("weight", "P1 2kg")])
def test_nothing_is_named_or_weighed_by_nobody(hand, name, words):
    assert "say who" in hand.obey(name, words, by=" ")


def test_a_lot_of_the_longest_length_and_the_heaviest_weighing_are_taken(hand):
    assert hand.obey("lot", "packing " + "x" * LENGTH_MAX) is None
    assert hand.obey("weight", f"P1 {MASS_KG_MAX}kg") is None


def test_a_weighing_is_told_in_kilograms_and_taken_back_below_zero(hand):
    hand.line.take_events()
    hand.command("", "weight", "P1 10lb rocket", "anna")
    hand.command("", "weight", "P1 -10lb rocket", "anna")
    there, back = (event.data for event in told(hand, "weight"))
    assert there == {"lot": "P1", "crop": "rocket", "kg": 4.5359237, "by": "anna"}
    assert back["kg"] == -there["kg"]


def test_lots_are_named_while_the_control_place_is_the_machine(hand):
    for tag in ("sowing.remote_selected", "harvest.remote_selected", "lanes.remote_selected"):
        if tag in hand.site.tags:
            hand.set(tag, False)
    assert hand.obey("programme", "1 steady") is not None
    assert hand.obey("lot", "packing P1") is None


def test_a_site_that_wants_lots_named_has_an_alarm_for_each_that_is_not_and_goes_on(wanting):
    line = wanting.line
    alarms = {tag: line.alarms.standing[tag] for tag in line.alarms.standing if "lot." in tag}
    assert set(alarms) == {"lot.substrate", "lot.seed", "lot.packing"}
    assert {alarm.priority for alarm in alarms.values()} == {"low"}
    assert all("--by NAME" in alarm.do for alarm in alarms.values())
    assert {unit.state for unit in line.units} == {"Execute"}
    for words in ("substrate PEAT-7", "seed green_oakleaf S-9", "packing P1"):
        assert wanting.obey("lot", words) is None
    assert not [tag for tag in line.alarms.standing if tag.startswith("lot.")]


def test_another_crop_in_the_drum_wants_its_own_seed_lot(wanting):
    line = wanting.line
    assert wanting.obey("lot", "seed green_oakleaf S-9") is None
    assert "lot.seed" not in line.alarms.standing
    wanting.command("sowing", "crop", "rocket")
    assert "rocket" in line.alarms.standing["lot.seed"].text


def test_nobody_is_asked_for_a_lot_once_sowing_is_over(wanting):
    wanting.command("sowing", "stop")
    wanting.settle(2_000)
    assert wanting.line.sowing.state == "Stopped"
    assert {t for t in wanting.line.alarms.standing if t.startswith("lot.")} == {"lot.packing"}


def test_a_site_that_does_not_ask_has_no_such_alarm(small, hand_at_work):
    line = hand_at_work(small).line
    assert not [tag for tag in line.alarms.standing if tag.startswith("lot.")]


def test_what_is_loaded_survives_a_snapshot_and_a_restart(hand, small):
    assert hand.obey("lot", "seed rocket R-1") is None
    copy = Line(small)
    copy.restore(json.loads(json.dumps(hand.line.snapshot())))
    assert copy.digest() == hand.line.digest()
    assert copy.lots.lot("seed", "rocket") == "R-1"
    copy.lots.told([Loaded("packing", "", "P1", "anna", -60_000)])
    row = next(row for row in copy.status(0)["lots"] if row["kind"] == "packing")
    assert (row["lot"], row["by"]) == ("P1", "anna")
    assert row["since_s"] == pytest.approx(60.0 + copy.now / 1000)
    assert copy.lots.lot("seed", "rocket") == ""
