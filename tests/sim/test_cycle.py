"""The normal cycle by hand: one gutter from the magazine to a lane, one from a tail to packing."""

from __future__ import annotations


def test_a_gutter_goes_from_the_magazine_into_a_lane(hand) -> None:
    hand.warn()
    hand.sow()
    assert hand.value("turn.centred")
    hand.index(0)
    places = hand.plant.places()
    assert places["lane1.germ.0"] == -1
    assert hand.value("lane1.germ.first_eye")
    report = hand.plant.report()
    assert report["violations"] == []
    counts = report["gutters"]
    assert (counts["wetted"], counts["seeded"], counts["indexed"], counts["in_lanes"]) == (1,) * 4
    assert counts["in_sower"] == counts["partial"] == 0
    assert 3.9 < report["substrate_l"] < 4.1
    assert 570 < report["water_ml"] < 630
    assert 11 <= report["seeds"] <= 13


def test_the_meter_and_the_seed_counter_agree_with_what_fell(hand) -> None:
    hand.warn()
    hand.sow()
    report = hand.plant.report()
    assert hand.value("water.flow_pulses") == int(report["water_ml"] * 0.2)
    assert hand.value("seed.seed_counter") == report["seeds"]


def test_a_gutter_goes_from_the_tail_to_packing(stocked) -> None:
    hand = stocked
    assert hand.value("lane1.grow.last_eye")
    hand.eject(0)
    assert hand.plant.places()["turnout"] == 12
    assert hand.value("turnout.centred")
    hand.hand_over()
    report = hand.plant.report()
    assert report["violations"] == []
    assert hand.plant.places()["packing"] == 12
    assert report["gutters"]["ejected"] == 1
    assert report["gutters"]["in_lanes"] == 11
    assert not hand.value("packing.ready")


def test_a_hole_is_brought_from_the_tail_to_the_mouth(stocked) -> None:
    hand = stocked
    hand.eject(0)
    hand.stroke("lane1.grow")
    assert hand.value("lane1.grow.last_eye") and not hand.value("lane1.grow.first_eye")
    hand.lift_over("lane1")
    assert hand.value("lane1.grow.first_eye") and not hand.value("lane1.germ.last_eye")
    hand.stroke("lane1.germ")
    assert not hand.value("lane1.germ.first_eye")
    places = hand.plant.places()
    assert places["lane1.germ.0"] is None
    assert [places[f"lane1.germ.{slot}"] for slot in (1, 2, 3)] == [1, 2, 3]
    assert [places[f"lane1.grow.{slot}"] for slot in range(8)] == list(range(4, 12))
    assert hand.plant.report()["violations"] == []


def test_people_bring_supplies_before_they_run_out(hand) -> None:
    hand.warn()
    for _ in range(3):
        hand.sow()
        hand.plant.do("take out", "turn")
    assert hand.value("magazine.not_low")
    assert hand.value("fill.hopper_level") == 188.0
    assert hand.plant.report()["gutters"]["removed_seeded"] == 3
