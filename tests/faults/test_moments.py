"""Faults at the very moment at which they are hardest to see: no rule violated, and why not."""

from __future__ import annotations

from pathlib import Path

import pytest

from linectl.line import Line
from linectl.site.load import load_site

CONFIG = Path(__file__).parents[2] / "config"

MOMENTS = [
    # An eye that lights before a gutter could be there would start the drum over nothing.
    ("seed.entry_eye", "stuck_on", 251_300, "seed.early"),
    # The belt creeps under a table that has begun to turn: the gutter ends across its joint.
    ("turn", "drifts", 178_000, "turn.centred"),
    # A run whose drive fails while it goes back has left its row on the slots.
    ("lane1.grow", "one_run_only", 251_300, "lane1.home"),
]


@pytest.mark.parametrize(("part", "kind", "from_ms", "alarm"), MOMENTS)
def test_a_fault_at_its_worst_moment_is_named_and_does_no_harm(
    trial, fault, part, kind, from_ms, alarm
):
    result = trial(fault(part, kind, from_ms))
    assert result.violations == []
    assert alarm in result.alarms
    assert result.works


def test_an_eye_that_lit_too_early_must_be_seen_dark_before_the_line_goes_on(shift):
    run = shift("small", seed=5)
    bench = run.rehearsal.bench
    bench.run(251_300)
    run.do("fault", "seed.entry_eye", kind="stuck_on", for_ms=120_000)
    bench.run(260_000)
    assert run.line.stations["seed"].fault == "early"
    run.command("sowing", "unhold")
    bench.run(280_000)
    assert run.line.stations["seed"].state == "faulted"  # the eye is still lit
    bench.run(375_000)
    for second in (376, 400):
        run.command("sowing", "unhold")
        bench.run(second * 1000)
    bench.run(440_000)
    assert run.line.stations["seed"].state != "faulted"
    assert run.plant.report()["violations"] == []


@pytest.mark.parametrize("name", ["small", "fennmark"])
def test_every_stop_and_every_guard_of_the_lanes_takes_the_lifts_away(name):
    # Lanes, lifts and carriages are stopped by every emergency stop. Brake off holds.
    line = Line(load_site(CONFIG / name))
    lifts = sum(
        1 << point.index
        for point in line.site.points
        if point.tag.rpartition(".")[2] in ("up", "down", "brake")
    )
    assert lifts
    stops = [row for row in line.causes.rows if row.name.startswith("estop_")]
    guards = [row for row in line.causes.rows if row.name in ("guard_mouth", "guard_tail")]
    assert len(stops) == len(line.site.file.zones) and len(guards) == 2
    for row in (*stops, *guards):
        assert row.blocks & lifts == lifts, row.name


def test_lanes_taken_up_by_a_reset_while_nothing_may_move_keep_no_unit_from_holding(trial, fault):
    result = trial(
        fault("lane2.germ", "overruns", 240_519), fault("lane1.germ", "overruns", 282_223), seed=494
    )
    assert result.violations == []
    assert result.states == {"sowing": "Execute", "harvest": "Execute"}


ONCE_HARMFUL = [
    # (fault and when, other fault and when, plant's seed): found by drawing pairs
    (("tamp", "no_start", 266_373), ("lane2.lift.on_board", "stuck_on", 269_790), 279),
    (("outfeed.on_board", "stuck_on", 221_232), ("belts_harvest", "silent", 228_251), 85),
]
HASTY = [
    (("outfeed", "grips_nothing", 150_657), ("fill.exit_eye", "stuck_off", 189_882), 29),
    (("fill.exit_eye", "stuck_off", 260_802), ("water.entry_eye", "flicker", 287_565), 67),
    (("lane1.grow.first_eye", "flicker", 191_633), ("water.exit_eye", "stuck_off", 223_104), 73),
    (("water", "supply_lost", 174_457), ("packing", "handshake_sticks", 204_233), 75),
    (("seed.exit_eye", "stuck_off", 109_591), ("meter", "silent", 145_016), 87),
    (("fill.exit_eye", "flicker", 244_347), ("lane1.grow", "overruns", 261_307), 89),
    (("meter", "late", 148_589), ("tamp", "press_sticks", 188_151), 263),
    (("lane1.lift", "stops_half_way", 256_340), ("seed.entry_eye", "stuck_on", 282_466), 361),
    (("fill.entry_eye", "stuck_off", 163_633), ("infeed", "no_start", 197_757), 385),
    (("water", "no_start", 234_496), ("axis_infeed", "supply_lost", 260_892), 517),
    (("lane2.germ.first_eye", "flicker", 150_311), ("magazine", "no_start", 193_367), 593),
]


@pytest.mark.parametrize(("one", "other", "seed"), ONCE_HARMFUL)
def test_pairs_that_once_did_harm_do_none(trial, fault, one, other, seed):
    assert trial(fault(*one), fault(*other), seed=seed).violations == []


@pytest.mark.parametrize(("one", "other", "seed"), HASTY)
def test_a_person_who_unholds_again_and_again_does_no_harm(trial, fault, one, other, seed):
    result = trial(fault(*one), fault(*other), seed=seed, hasty=True)
    assert result.violations == []
    assert result.works
