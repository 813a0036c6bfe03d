"""What falls into a vessel is weighed and counted; what the machine truly is can be hidden."""

from __future__ import annotations

import json
import shutil
from math import sqrt
from pathlib import Path
from statistics import fmean

import pytest

import linectl_sim
from linectl.errors import UsageError
from linectl.site.load import load_site
from linectl.site.scenario import load_scenario
from linectl_sim.hidden import DOSER, DRUM, PULSES, WATER, draw
from linectl_sim.outlets import SPILT
from linectl_sim.serve_plant import PlantServer

ROOT = Path(__file__).parents[2]
DOSED_L, WATERED_ML = 5.0, 1000.0


def dose(hand) -> dict:
    """One run of the doser, 10 s at 500 ml/s, into an empty vessel; what is weighed."""
    hand.plant.do("put vessel", "fill")
    hand.set("fill.doser_rate", 500)
    hand.set("fill.doser")
    hand.wait(10_000)
    hand.off("fill.doser")
    return hand.plant.weigh("fill")


def water(hand) -> dict:
    hand.plant.do("put vessel", "water")
    hand.set("water.flow_rate", 100)
    hand.set("water.valve")
    hand.wait(10_000)
    hand.off("water.valve")
    return hand.plant.weigh("water")


def seed(hand, seconds: int = 100) -> dict:
    """So long at 20 holes a second over a running belt."""
    hand.plant.do("put vessel", "seed")
    hand.set("seed.drum_rate", 20)
    hand.speed("seed")
    hand.set("seed.run")
    hand.set("seed.pump")
    hand.wait(3000)
    hand.set("seed.drum")
    hand.wait(seconds * 1000)
    hand.off("seed.drum", "seed.run", "seed.pump")
    hand.wait(1000)
    return hand.plant.weigh("seed")


def test_what_falls_in_a_vessel_is_not_released_on_nothing(hand) -> None:
    hand.warn()
    assert dose(hand)["l"] == pytest.approx(DOSED_L, rel=0.03)
    assert water(hand)["ml"] == pytest.approx(WATERED_ML, rel=0.05)
    assert seed(hand)["seeds"] > 0
    assert hand.rules() == []
    hand.plant.do("take vessel", "fill")
    hand.set("fill.doser")
    hand.wait(1000)
    hand.off("fill.doser")
    assert hand.rules() == ["released_without_gutter"]


def test_a_vessel_is_empty_when_it_has_been_weighed_and_tells_mass_and_volume(hand) -> None:
    hand.warn()
    told = dose(hand)
    assert told["kg"] == pytest.approx(0.1 * DOSED_L, rel=0.1)  # loose peat, about 0.1 kg/l
    assert hand.plant.weigh("fill")["kg"] <= 0.01
    told = water(hand)
    assert told["kg"] * 1000 == pytest.approx(told["ml"], rel=0.005)  # 0.997 kg/l


def test_a_gutter_takes_what_falls_before_a_vessel_beneath_it(hand) -> None:
    hand.warn()
    hand.feed()
    hand.convey("magazine", "fill", lambda: dose_over_gutter(hand))
    assert hand.plant.weigh("fill")["l"] == pytest.approx(0, abs=0.05)


def dose_over_gutter(hand) -> None:
    hand.plant.do("put vessel", "fill")
    hand.fill()


def test_a_spilt_run_weighs_less_and_the_next_one_is_whole(hand) -> None:
    hand.warn()
    whole = dose(hand)["l"]
    hand.plant.do("spill", "fill")
    assert dose(hand)["l"] == pytest.approx((1 - SPILT) * whole, rel=0.03)
    assert dose(hand)["l"] == pytest.approx(whole, rel=0.03)


def test_counted_cells_are_as_often_empty_and_doubled_as_the_drum_makes_them(hand) -> None:
    hand.warn()
    told = seed(hand, seconds=600)
    seeder = hand.plant.machine.seeder
    hole = seeder.chances_at(1.4 * 8, seeder.crop)  # the usual vacuum of this site
    cells = told["cells"]
    assert cells == pytest.approx(12_000, rel=0.03)
    for count, share in ((told["empty"], hole.miss), (told["multiple"], hole.multiple)):
        assert abs(count - cells * share) < 4 * sqrt(cells * share)  # binomial, 4 sigma
    assert told["seeds"] == cells - told["empty"] + told["multiple"]


def test_the_same_plant_weighs_the_same_and_weighing_disturbs_no_other_chance(hand, small) -> None:
    def run(weighs: bool) -> tuple[list[dict], object]:
        hand.plant = linectl_sim.open(small, seed=3)
        hand.warn()
        told = [dose(hand) for _ in range(3)] if weighs else []
        water(hand)
        return told, hand.value("water.flow_pulses")

    assert run(weighs=True) == run(weighs=True)
    assert run(weighs=True)[1] == run(weighs=False)[1]


@pytest.mark.parametrize(
    ("act", "told"),
    [
        (lambda plant: plant.weigh("fill"), "no vessel stands under fill"),
        (lambda plant: plant.weigh("tamp"), "no vessel fits under 'tamp'"),
        (lambda plant: plant.do("put vessel", "wter"), "did you mean 'water'"),
        (lambda plant: plant.do("hidden factors", seed="x"), "must be a whole number"),
    ],
)
def test_where_no_vessel_can_stand_is_said(hand, act, told) -> None:
    with pytest.raises(UsageError, match=told):
        act(hand.plant)


# hidden factors


def hide(hand, seed: int) -> dict:
    hand.plant.do("hidden factors", seed=seed)
    return hand.plant.hidden()


def test_nothing_is_hidden_unless_it_is_asked_for(hand) -> None:
    assert hand.plant.hidden() is None
    hand.warn()
    assert fmean(dose(hand)["l"] for _ in range(20)) == pytest.approx(DOSED_L, rel=0.005)


@pytest.mark.parametrize("number", [1, 2, 3])
def test_vessels_and_meter_tell_the_hidden_factors(hand, number) -> None:
    truth = hide(hand, number)
    hand.warn()
    # 20 runs of 1 % spread, read to 0.5 %: their mean is good to 0.25 % (one sigma)
    dosed = fmean(dose(hand)["l"] for _ in range(20))
    assert dosed / DOSED_L == pytest.approx(truth["doser"], rel=0.01)
    watered = fmean(water(hand)["ml"] for _ in range(20))
    assert watered / WATERED_ML == pytest.approx(truth["water"], rel=0.01)
    pulses = hand.value("water.flow_pulses") / (20 * watered / 1000)
    assert pulses == pytest.approx(truth["pulses_per_l"], rel=0.005)


@pytest.mark.parametrize("number", [1, 2, 3])
def test_singulation_is_best_at_the_hidden_vacuum(hand, number) -> None:
    truth = hide(hand, number)
    hand.warn()

    def singles(kpa: float) -> tuple[float, float]:
        hand.plant.do("set vacuum", "seed", kpa=kpa)
        told = seed(hand, seconds=1000)
        return 1 - (told["empty"] + told["multiple"]) / told["cells"], told["seeds"]

    best, _ = singles(truth["best_kpa"])
    assert best > singles(0.7 * truth["best_kpa"])[0] + 0.1
    assert best > singles(1.6 * truth["best_kpa"])[0] + 0.01


def test_the_factors_of_a_seed_are_its_own_and_within_their_ranges(small) -> None:
    drawn = [draw(small, number) for number in range(200)]
    assert drawn[7] == draw(small, 7)
    nominal = small.file.stations["water"].pulses_per_l
    for what, (least, most) in (
        ([one.doser for one in drawn], DOSER),
        ([one.water for one in drawn], WATER),
        ([one.pulses_per_l / nominal for one in drawn], PULSES),
        ([one.drum for one in drawn], DRUM),
    ):
        assert least <= min(what) < least + 0.1 * (most - least)
        assert most >= max(what) > most - 0.1 * (most - least)


def test_a_carriage_stops_where_its_encoder_tells_the_target(hand) -> None:
    truth = hide(hand, 5)["encoders"]["infeed"]
    facts = hand.plant.site.file.stations["infeed"]
    assert hand.value("infeed.position") == facts.home_mm + truth["offset_mm"]
    assert truth["offset_mm"] != 0 and hand.value("infeed.flag")  # it stands at home, truly
    hand.warn()
    lane_mm = hand.plant.site.file.lanes[0].infeed_mm
    told = facts.home_mm + truth["offset_mm"] + (lane_mm - facts.home_mm) * truth["scale"]
    hand.travel("infeed", round(told))  # asserts position and flag


def test_a_doser_that_is_told_hertz_has_a_hidden_gain_and_offset(tmp_path, hand) -> None:
    folder = shutil.copytree(ROOT / "config" / "small", tmp_path / "small")
    text = (folder / "io.csv").read_text()
    row = "fill.doser_rate,io_sower,holding,0,,u16,,,ml/s"
    assert row in text
    (folder / "io.csv").write_text(text.replace(row, row.replace(",,,ml/s", ",,0.1,Hz")))
    (folder / "calibration.yaml").write_text(
        "drives:\n"
        "  fill.doser_rate: {per_hz: 20, offset_hz: 0, most_hz: 60, by: ann, on: 2026-03-02}\n"
    )
    hand.plant = linectl_sim.open(load_site(folder), seed=1)
    truth = hide(hand, 5)
    motor = truth["drives"]["fill.doser_rate"]
    hand.plant.do("put vessel", "fill")
    hand.set("fill.doser_rate", 30)
    hand.set("fill.doser")
    hand.wait(20_000)
    given = hand.plant.weigh("fill")["l"] / 20 * 1000
    wanted = truth["doser"] * motor["per_hz"] * (30 - motor["offset_hz"])
    assert given == pytest.approx(wanted, rel=0.05)
    assert motor["per_hz"] != 20


# told


def test_the_talk_port_weighs_and_tells_the_truth(hand, small) -> None:
    server = PlantServer(small, hand.plant)
    assert server._told({"hidden": True}) == {"hidden": None}
    assert server._told({"do": "hidden factors", "options": {"seed": 4}}) == {"ok": True}
    assert server._told({"do": "put vessel", "part": "water"}) == {"ok": True}
    assert set(server._told({"weigh": "water"})["weighed"]) == {"ml", "kg"}
    assert "no vessel stands" in server._told({"weigh": "seed"})["error"]
    told = server._told({"hidden": True})
    assert json.loads(json.dumps(told))["hidden"] == hand.plant.hidden()


def test_a_scenario_can_hide_factors_and_spill(tmp_path, small) -> None:
    (tmp_path / "day.yaml").write_text(
        "- {at: 0, do: hidden factors, seed: 7}\n"
        "- {at: 1, do: put vessel, part: fill}\n"
        "- {at: 2, do: spill, part: seed}\n"
    )
    actions = load_scenario(tmp_path / "day.yaml", small)
    assert [(a.verb, a.part, dict(a.options)) for a in actions] == [
        ("hidden factors", "", {"seed": 7}),
        ("put vessel", "fill", {}),
        ("spill", "seed", {}),
    ]
