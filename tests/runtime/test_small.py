"""The small line from empty to full, steady, and run out; who may move a lane, and when."""

from __future__ import annotations

from pathlib import Path

import pytest

from linectl.line.tr88 import STATE_NUMBERS
from linectl.site.load import load_site

CONFIG = Path(__file__).parents[2] / "config"


def test_empty_full_steady_and_run_out_to_empty(shift, check_balance):
    line = shift("small", lanes=0.0).run("20m")
    lanes = line.line.lanes.lanes
    assert {lane.programme for lane in lanes} == {"steady"}
    assert all(lane.filled() >= lane.facts.slots - 2 for lane in lanes)
    assert line.state("harvest") == "Held"  # nothing was ripe for longer than the limit
    line.command("harvest", "unhold")
    line.command("sowing", "unhold")
    indexed = line.plant.report()["gutters"]["indexed"]
    line.run("60m")
    gutters = line.plant.report()["gutters"]
    assert gutters["indexed"] > indexed + 40  # steady: one in for one out
    assert abs(gutters["in_lanes"] - 24) <= 4
    line.command("sowing", "run-out")
    line.run("63m")
    assert line.state("sowing") == "Complete"
    assert line.plant.report()["gutters"]["in_sower"] == 0
    for lane in (1, 2):
        line.command("", "programme", f"{lane} running_out")
    line.run("110m")
    assert line.plant.report()["gutters"]["in_lanes"] == 0
    assert line.outcome["violations"] == []
    check_balance(line.outcome)


def test_with_the_sower_down_harvest_gets_one_gutter_a_lane(shift):
    down = shift("small", start=False)
    down.rehearsal.command_at(1_000, "harvest", "reset")
    down.rehearsal.command_at(2_000, "harvest", "start")
    down.run("10m")
    assert down.plant.report()["gutters"]["ejected"] == 2
    assert down.state("harvest") in ("Suspended", "Held")
    assert "wait for sowing" in down.outcome["waits"][-2]["reason"]


def test_a_person_empties_the_lanes_without_the_sower(shift, check_balance):
    down = shift("small", start=False)
    down.rehearsal.command_at(1_000, "harvest", "reset")
    down.rehearsal.command_at(2_000, "harvest", "start")
    minute = 2
    for _ in range(16):
        for lane in (1, 2):
            down.command("", "advance-empty", str(lane))
        minute += 3
        down.run(f"{minute}m")
        if down.state("harvest") == "Held":
            down.command("harvest", "unhold")
    assert down.plant.report()["gutters"]["in_lanes"] == 0
    assert down.outcome["violations"] == []
    check_balance(down.outcome)


def _stuck(shift):
    """Oakleaf in the drum, and a harvest order that wants a crop only lane 2 holds."""
    site = load_site(CONFIG / "small")
    sowing = site.file.sowing.model_copy(
        update={"crop": "rocket", "harvest_order": ("green_oakleaf",)}
    )
    file = site.file.model_copy(update={"sowing": sowing})
    line = shift("small", site=site.model_copy(update={"file": file}))
    # Rocket goes into lane 2 only; oakleaf is taken from lane 1 only: its slot stays empty.
    return line.run("10m")


def test_units_that_wait_for_each_other_say_so_with_lanes_crops_and_three_ways_out(shift):
    line = _stuck(shift)
    alarm = line.line.alarms.standing["mutual_wait"]
    assert "rocket" in alarm.text and "green oakleaf" in alarm.text and "lane 1" in alarm.text
    assert "change the crop" in alarm.do
    assert "skip" in alarm.do
    assert "advance a lane empty" in alarm.do


@pytest.mark.parametrize(
    ("unit", "name", "argument"),
    [("sowing", "crop", "green_oakleaf"), ("", "advance-empty", "1")],
)
def test_the_mutual_wait_is_left_by_a_person(shift, unit, name, argument):
    line = _stuck(shift)
    before = line.plant.report()["gutters"]
    line.command(unit, name, argument)
    for held in ("sowing", "harvest"):
        if line.state(held) == "Held":
            line.command(held, "unhold")
    line.run("14m")
    after = line.plant.report()["gutters"]
    assert after["ejected"] > before["ejected"]
    assert line.outcome["violations"] == []


def test_the_mutual_wait_is_left_by_skipping_in_the_harvest_order(shift):
    site = load_site(CONFIG / "small")
    order = ("green_oakleaf", "green_oakleaf", "red_oakleaf")
    sowing = site.file.sowing.model_copy(update={"crop": "rocket", "harvest_order": order})
    file = site.file.model_copy(update={"sowing": sowing})
    line = shift("small", site=site.model_copy(update={"file": file})).run("10m")
    assert "mutual_wait" in line.alarms()
    line.command("harvest", "skip")
    for held in ("sowing", "harvest"):
        if line.state(held) == "Held":
            line.command(held, "unhold")
    line.run("14m")
    alarms = [row for row in line.outcome["alarms"] if row["tag"] == "mutual_wait"]
    assert alarms[0]["to_s"] is not None and alarms[0]["to_s"] < 11 * 60
    assert line.outcome["gutters"]["indexed"] >= 1


def test_a_lane_may_move_its_row_with_the_insert_instead_of_ahead_of_it(shift, check_balance):
    site = load_site(CONFIG / "small")
    lanes = tuple(lane.model_copy(update={"advance": "with_insert"}) for lane in site.file.lanes)
    file = site.file.model_copy(update={"lanes": lanes})
    line = shift("small", site=site.model_copy(update={"file": file})).run("30m")
    assert line.outcome["violations"] == []
    check_balance(line.outcome)
    assert line.outcome["gutters"]["indexed"] > 50


@pytest.mark.parametrize("name", ["one_run", "counter_flow"])
def test_other_lane_shapes_run_in_step(shift, check_balance, name):
    line = shift(name).run("30m")
    assert line.outcome["violations"] == []
    check_balance(line.outcome)
    assert line.outcome["gutters"]["indexed"] > 30
    assert line.outcome["throughput"] >= 0.9


def test_dry_cycle_moves_gutters_without_substrate_water_or_seed(shift):
    line = shift("small", start=False, ripe_check=False)
    for at, name, argument in (
        (500, "mode", "dry-cycle"), (1_000, "reset", ""), (2_000, "start", ""),
    ):  # fmt: skip
        line.rehearsal.command_at(at, "sowing", name, argument)
        line.rehearsal.command_at(at, "harvest", name, argument.replace("dry-cycle", "production"))
    line.run("20m")
    gutters = line.outcome["gutters"]
    assert gutters["indexed"] > 10
    assert gutters["wetted"] == gutters["seeded"] == 0
    unsown = [record for record in line.line.gutters.values() if record.id > 24]
    assert unsown and all(record.crop == "" for record in unsown if record.place.startswith("lane"))
    assert line.outcome["violations"] == []


def test_a_dry_gutter_is_ejected_without_a_crop_that_it_never_had(shift):
    line = shift("small", lanes=0.3, start=False)
    line.rehearsal.command_at(500, "sowing", "mode", "dry-cycle")
    line.rehearsal.start()
    line.run("9m")
    line.command("harvest", "unhold")
    line.run("25m")
    assert line.outcome["gutters"]["ejected"] > 9  # the eight that stood there, then dry ones
    assert line.outcome["violations"] == []


def test_the_states_that_a_shift_passes_through_are_published_ones(shift, stall):
    line = shift("small", scenario=stall("5m", "8m")).run("12m")
    assert {row["state"] for row in line.outcome["states"]} <= set(STATE_NUMBERS)


def test_dry_cycle_scans_no_more_often_than_production(shift):
    """A tool that stays off leaves no due behind: of the line's own events only are there fewer."""
    scans = {}
    for mode in ("production", "dry-cycle"):
        run = shift("small", start=False, seed=1)
        for unit in ("sowing", "harvest"):
            run.rehearsal.command_at(500, unit, "mode", mode)
        run.rehearsal.start()
        run.run("4m")
        scans[mode] = run.rehearsal.bench.scans
    assert scans["dry-cycle"] <= scans["production"]
