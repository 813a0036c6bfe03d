"""Another crop or seed lot: what is refused and why, what a cut leaves, the first gutter."""

from __future__ import annotations

import json

import pytest

from linectl.image import ChangeoverLeft, Inside, Loaded, Start
from linectl.line import Line
from linectl.line.changeover import Changeover

GREEN, ROCKET = "green_oakleaf", "rocket"
SOWN = ("fill", "tamp", "water", "seed")
RUNNING_OUT = ChangeoverLeft("running_out", ROCKET, "R-1", "anna")
EMPTYING = RUNNING_OUT._replace(stage="emptying")
CONFIRMED = RUNNING_OUT._replace(stage="confirmed")
FIRST = ChangeoverLeft("first", ROCKET, "R-1", "anna", 7, 88.0)
AT_SEED = [Inside(7, "seed", ROCKET, -9_000, 9_000, -9_000, done=SOWN)]
SEEN_AT_SEED = {"seed__exit_eye": True}


def sowing(hand, name: str, argument: str = "", by: str = "anna") -> str | None:
    """A command to unit sowing: None, or why it was refused."""
    hand.line.take_events()
    hand.command("sowing", name, argument, by)
    told = [event for event in hand.line.take_events() if event.kind == "command"]
    return told[0].data["why"]


def loads(hand, *seeds: tuple[str, str]) -> None:
    hand.line.lots.told(Loaded("seed", crop, lot, "anna", -1) for crop, lot in seeds)


def stage(hand) -> str:
    return hand.line.changeover.stage


# announcing --------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("words", "by", "why"),
    [("rocket R-1", "", "say who"), ("rocket", "anna", "changeover CROP LOT"),
     ("rockett R-1", "anna", "rocket"), ("rocket none", "anna", "name the lot"),
     ("rocket =R1", "anna", "formula"), ("green_oakleaf G-1", "anna", "in the drum already"),
     ("rocket G-1", "anna", "in the drum already"), ("rocket D-1", "anna", "named for red oakleaf"),
     ("cancel", "anna", "no changeover stands")],
)  # fmt: skip
def test_a_changeover_announced_wrongly_is_refused_with_what_is_right(hand, words, by, why):
    loads(hand, (GREEN, "G-1"), ("red_oakleaf", "D-1"), (ROCKET, "R-0"))
    assert why in sowing(hand, "changeover", words, by)
    assert stage(hand) == "none" and hand.line.changeover.status() is None


def test_harvest_has_no_changeover(hand):
    hand.line.take_events()
    hand.command("harvest", "changeover", "rocket R-1", "anna")
    assert "for unit sowing" in hand.line.take_events()[-1].data["why"]


def test_an_empty_sower_that_stands_may_be_changed_at_once_and_runs_out_else(hand):
    assert sowing(hand, "changeover", "rocket R-1") is None
    hand.settle(20)
    assert stage(hand) == "emptying"
    assert "one stands" in sowing(hand, "changeover", "frisee F-1")


def test_a_seed_lot_and_a_crop_are_named_by_the_changeover_alone_while_it_stands(hand):
    sowing(hand, "changeover", "rocket R-1")
    for words in ("seed rocket R-2", "seed green_oakleaf G-2"):
        assert "hopper-changed" in hand.obey("lot", words)
    assert hand.obey("lot", "seed red_oakleaf D-2") is None
    assert hand.obey("lot", "substrate P-2") is None
    assert "a changeover stands" in sowing(hand, "crop", "red_oakleaf")
    assert sowing(hand, "changeover", "cancel") is None
    assert hand.obey("lot", "seed green_oakleaf G-2") is None
    assert hand.line.crop_in_drum == GREEN


def test_nothing_is_fed_while_the_sower_runs_out(hand):
    hand.start()
    assert hand.on("magazine.gate") or hand.line.ends.magazine.gutter
    sowing(hand, "changeover", "rocket R-1")
    assert hand.line.sowing.run_out and not hand.line.ends.magazine.would_take(hand.now)
    assert "gutters are still inside (magazine)" in sowing(hand, "hopper-changed", "R-1")
    assert sowing(hand, "changeover", "cancel") is None
    assert not hand.line.sowing.run_out


@pytest.mark.parametrize("state", ["Suspended", "Held"])
def test_a_unit_that_waits_with_nothing_inside_is_stopped_by_itself(hand, state):
    hand.line.sowing.state = state
    assert sowing(hand, "changeover", "rocket R-1") is None
    hand.settle(50)
    assert (hand.line.sowing.state, stage(hand)) == ("Stopped", "emptying")


# the hopper --------------------------------------------------------------------------------------


def test_after_a_cut_while_the_hopper_is_changed_nothing_is_sown_before_its_label_is_typed(
    come_back,
):
    """S34."""
    hand = come_back(Start(crop=GREEN, changeover=EMPTYING))
    assert sowing(hand, "reset") is None
    hand.settle(50)
    assert "hopper-changed" in sowing(hand, "start")
    assert hand.line.sowing.state == "Idle" and hand.line.crop_in_drum == GREEN
    (check,) = [c for c in hand.line.why("sowing", hand.now) if c["step"] == "changeover"]
    assert not check["met"] and "lock out" in check["text"]
    assert "label reads R-2, announced was R-1" in sowing(hand, "hopper-changed", "R-2")
    assert "label reads nothing" in sowing(hand, "hopper-changed", "")
    assert "say who" in sowing(hand, "hopper-changed", "R-1", " ")
    before = hand.outputs_on()
    assert sowing(hand, "hopper-changed", "R-1") is None
    hand.settle(1_000)
    assert hand.outputs_on() == before and hand.line.sowing.state == "Idle"  # it starts nothing
    assert sowing(hand, "start") is None
    assert "has been confirmed" in sowing(hand, "hopper-changed", "R-1")
    assert "too late" in sowing(hand, "changeover", "cancel")


def test_the_hopper_is_not_confirmed_while_an_eye_sees_something_or_the_unit_is_at_work(come_back):
    hand = come_back(Start(changeover=EMPTYING), fill__exit_eye=True)
    assert "fill.exit_eye sees a gutter" in sowing(hand, "hopper-changed", "R-1")
    hand.set("fill.exit_eye", False)
    hand.line.sowing.state = "Held"
    assert "must stand" in sowing(hand, "hopper-changed", "R-1")
    assert "no changeover stands" in sowing(come_back(Start()), "hopper-changed", "R-1")


def test_set_points_crop_and_lot_are_the_new_ones_before_anything_is_drawn_in(come_back):
    hand = come_back(Start(crop=GREEN, changeover=EMPTYING))
    loads(hand, (GREEN, "G-1"))
    hand.line.take_events()
    before = [hand.line.outputs[hand.site.index(tag)] for tag in RATES]
    assert sowing(hand, "hopper-changed", "R-1") is None
    line = hand.line
    assert (line.crop_in_drum, line.lots.lot("seed", ROCKET)) == (ROCKET, "R-1")
    after = [line.outputs[hand.site.index(tag)] for tag in RATES]
    assert all(new not in (old, 0) for old, new in zip(before, after, strict=True))
    new, old = line.crops[ROCKET], line.crops[GREEN]
    sown = come_back(Start(crop=GREEN, changeover=EMPTYING._replace(crop=GREEN)))
    assert sowing(sown, "hopper-changed", "R-1") is None
    rate = [sown.line.outputs[hand.site.index("water.flow_rate")], after[1]]
    assert rate[1] / rate[0] == pytest.approx(new.water_ml / old.water_ml, rel=1e-3)


RATES = ("fill.doser_rate", "water.flow_rate", "seed.drum_rate")


def test_a_site_that_names_no_lots_has_the_new_one_named_by_its_changeover(come_back):
    hand = come_back(Start(changeover=EMPTYING))
    assert not hand.site.file.sowing.name_lots
    assert hand.line.lots.lot("seed", GREEN) == ""
    sowing(hand, "hopper-changed", "R-1")
    named = {(r["kind"], r["crop"]): r["lot"] for r in hand.line.status(hand.now)["lots"]}
    assert named["seed", ROCKET] == "R-1"


# the first gutter --------------------------------------------------------------------------------


def test_after_a_cut_the_first_gutter_is_still_to_be_looked_at_and_is_not_taken_on(come_back):
    seen = {**SEEN_AT_SEED, "magazine__not_empty": False}
    hand = come_back(Start(crop=ROCKET, inside=AT_SEED, reserved={2: 7}, changeover=FIRST), **seen)
    assert "seed.first" in hand.line.alarms.standing
    hand.start()
    hand.settle(21_000)
    assert hand.line.sowing.state == "Held" and "first gutter 7" in hand.line.sowing.reason
    assert not hand.on("turn.run") and hand.line.stations["seed"].gutter == 7
    assert hand.line.changeover.status()["seeds"] == 88
    assert sowing(hand, "first-gutter", "good") is None
    assert "seed.first" not in hand.line.alarms.standing
    sowing(hand, "unhold")
    for lit in (True, False):
        for zone in ("sowing.horn_on", "sowing.beacon_on"):
            hand.set(zone, lit)
        hand.settle(3_100)
    assert hand.on("turn.run") and hand.on("seed.run")


@pytest.mark.parametrize(
    ("words", "by", "why"),
    [("", "anna", "first-gutter good"), ("fine", "anna", "first-gutter good"),
     ("bad", "anna", "what is wrong"), ("good", "", "say who"),
     ("bad " + "x" * 201, "anna", "at most 200")],
)  # fmt: skip
def test_a_verdict_typed_wrongly_is_refused(come_back, words, by, why):
    hand = come_back(Start(crop=ROCKET, inside=AT_SEED, changeover=FIRST), **SEEN_AT_SEED)
    assert why in sowing(hand, "first-gutter", words, by)
    assert stage(hand) == "first"
    empty = come_back(Start(changeover=CONFIRMED))
    assert "no first gutter waits" in sowing(empty, "first-gutter", "good")


def test_a_bad_first_gutter_is_taken_off_and_the_next_is_the_first(come_back):
    hand = come_back(
        Start(crop=ROCKET, inside=AT_SEED, reserved={2: 7}, changeover=FIRST), **SEEN_AT_SEED
    )
    hand.line.take_events()
    hand.command("sowing", "first-gutter", "bad bald left half", "ben")
    (told,) = [event for event in hand.line.take_events() if event.kind == "first_gutter"]
    assert told.source == "gutter7"
    assert told.data == {"gutter": 7, "crop": ROCKET, "lot": "R-1", "seeds": 88, "verdict": "bad",
                         "text": "bald left half", "by": "ben"}  # fmt: skip
    assert stage(hand) == "confirmed" and not hand.line.changeover.waters()
    assert "reject seed" in hand.line.changeover.text()
    hand.set("seed.exit_eye", False)
    assert hand.obey("reject", "seed") is None
    hand.settle(20)
    assert hand.line.changeover.gutter == 0 and hand.line.changeover.waters()


def test_a_first_gutter_that_is_taken_off_unjudged_is_told_and_the_next_is_the_first(come_back):
    hand = come_back(Start(crop=ROCKET, inside=AT_SEED, changeover=FIRST), **SEEN_AT_SEED)
    hand.set("seed.exit_eye", False)
    assert hand.obey("reject", "seed") is None
    hand.settle(20)
    assert stage(hand) == "confirmed" and "seed.first" not in hand.line.alarms.standing


# plain data --------------------------------------------------------------------------------------


@pytest.mark.parametrize("left", [RUNNING_OUT, EMPTYING, CONFIRMED, FIRST])
def test_a_changeover_is_plain_data_in_the_snapshot_and_in_the_record(small, left):
    line = Line(small, Start(changeover=left, inside=AT_SEED))
    again = Line(small)
    again.restore(json.loads(json.dumps(line.snapshot())))
    assert again.changeover.status() == line.changeover.status()
    assert tuple(Changeover.FIELDS) == ChangeoverLeft._fields
    line.changeover._go(left.stage, "")
    (event,) = line.take_events()
    assert ChangeoverLeft(**json.loads(json.dumps(event.data))) == left


def test_a_changeover_to_a_crop_that_the_site_has_no_more_is_let_go(small):
    assert not Line(small, Start(changeover=EMPTYING._replace(crop="elm"))).changeover.stands
