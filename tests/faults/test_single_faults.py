"""Every fault that the plant can play, alone: no rule violated, a named alarm, and recovery.

A fault begins while the small line works and lasts a minute; then a person puts things right.
"""

from __future__ import annotations

import os
from pathlib import Path

import pytest

from linectl.site.faults import fault_kinds
from linectl.site.load import load_site

SMALL = load_site(Path(__file__).parents[2] / "config" / "small")
STARTS_MS = (75_000, 251_300)
FULL = os.environ.get("LINECTL_CAMPAIGN") == "full"

QUIET = {
    # fault → why it may run its minute at the first start without any alarm
    "magazine.entry_eye.stuck_off": "nothing relies on this eye: gutters drop in past it",
    "magazine.entry_eye.flicker": "nothing relies on this eye: gutters drop in past it",
    "magazine.exit_eye.flicker": "lit in between, longer than a gutter may be missed",
    "magazine.not_low.stuck_on": "blind to what is not so: the magazine is not low",
    "magazine.not_empty.stuck_on": "blind to what is not so: the magazine is not empty",
    "magazine.single.stuck_on": "blind to what is not so: found by its own inspection",
    "infeed.on_board.flicker": "true when it is asked",
    "outfeed.on_board.flicker": "true when it is asked",
    "turnout.entry_eye.stuck_on": "nothing relies on this eye: gutters are laid in past it",
    "turnout.entry_eye.stuck_off": "nothing relies on this eye: gutters are laid in past it",
    "turnout.entry_eye.flicker": "nothing relies on this eye: gutters are laid in past it",
    "turnout.exit_eye.stuck_off": "packing's word and the centre eye tell the hand-over",
    "lane1.germ.last_eye.flicker": "true when a stroke or transfer asks it",
    "lane1.grow.first_eye.flicker": "true when a stroke or transfer asks it",
    "lane1.grow.last_eye.flicker": "true when a stroke or eject asks it",
    "lane1.lift.on_board.flicker": "true when a transfer asks it",
    "magazine.skewed": "no length is told where gutters drop in",
    "turnout.skewed": "no length is told at the hand-over",
    "water.drifts": "the creeping belt is empty, or moves on by itself",
    "seed.drifts": "the creeping belt is empty, or moves on by itself",
    "water.valve_leaks": "within the tolerance of the dose",
    "packing.takes_without_handshake": "nothing lies there to be taken",
    "packing.late": "people who are late are no fault",
    **dict.fromkeys(
        (
            "io_sower.late", "io_lanes.late", "belts_sower.late", "belts_harvest.late",
            "axis_infeed.late", "axis_outfeed.late", "meter.late",
        ),
        "it answers again before its silence would count",
    ),
}  # fmt: skip
NEIGHBOUR = {
    # fault → the alarm of the part that finds it, where that is not the part itself
    "turn.centred.stuck_on": "infeed.gripper",
    "turnout.centred.stuck_off": "outfeed.gripper",
    "lane1.germ.first_eye.stuck_off": "infeed.gripper",
    "lane1.grow.last_eye.stuck_on": "outfeed.gripper",
    "magazine.no_start": "fill.belt",
    "magazine.drifts": "fill.early",
    "fill.drifts": "tamp.early",
    "fill.hopper_empty": "hopper_empty",
    "tamp.no_start": "water.no_entry",
    "seed.no_start": "turn.no_clear",
    "packing.handshake_sticks": "turnout.handover",
    "io_sower.supply_lost": "supply_AE1",
    "io_lanes.supply_lost": "supply_BE1",
    "belts_sower.supply_lost": "drive_tamp",
    "belts_harvest.supply_lost": "drive_turnout",
    "axis_infeed.supply_lost": "drive_infeed",
    "axis_outfeed.supply_lost": "drive_outfeed",
    "meter.supply_lost": "water.dose",
}

ALL = {f"{part}.{kind}" for part, kinds in fault_kinds(SMALL).items() for kind in kinds}
CASES = [
    (part, kind)
    for part, kinds in fault_kinds(SMALL).items()
    if not part.startswith("lane2")  # the mirror of lane 1
    for kind in kinds
]


def _named(part: str, kind: str, alarms: set[str]) -> bool:
    """An alarm of the fault's own station, lane, zone or device came, or its neighbour's."""
    wanted = NEIGHBOUR.get(f"{part}.{kind}")
    if wanted is not None:
        return wanted in alarms
    return any(part.split(".")[0] in tag for tag in alarms)


def _tags(shift_) -> set[str]:
    return {row["tag"] for row in shift_.rehearsal.account.alarms()}


def play(shift, attendant, part: str, kind: str, start_ms: int):
    """The line with that fault in it; the alarms it had by the end of its minute."""
    run = shift("small", site=SMALL, seed=5)
    bench = run.rehearsal.bench
    bench.run(start_ms)
    before = _tags(run)
    run.do("fault", part, kind=kind, for_ms=60_000)
    attendant(run, first_ms=start_ms + 65_000)
    bench.run(start_ms + 60_000)
    return run, _tags(run) - before


@pytest.mark.parametrize("start_ms", [STARTS_MS[0]] if not FULL else STARTS_MS)
@pytest.mark.parametrize(("part", "kind"), CASES, ids=lambda word: str(word))
def test_a_fault_alone_breaks_no_rule_is_named_and_the_line_recovers(
    shift, attendant, part, kind, start_ms
):
    run, alarms = play(shift, attendant, part, kind, start_ms)
    if start_ms == STARTS_MS[0] and f"{part}.{kind}" not in QUIET:
        assert _named(part, kind, alarms), sorted(alarms)
    bench = run.rehearsal.bench
    indexed = run.plant.report()["gutters"]["indexed"]
    bench.run(bench.now + 5 * 60_000)
    assert run.plant.report()["violations"] == []
    assert run.plant.report()["gutters"]["indexed"] > indexed + 4, "the line did not recover"
    assert run.state("sowing") == "Execute"
    assert run.state("harvest") == "Execute"


def test_the_tables_of_quiet_faults_name_real_faults_once():
    assert QUIET.keys() | NEIGHBOUR.keys() <= ALL
    assert not QUIET.keys() & NEIGHBOUR.keys()
    assert len(QUIET) <= 30


NAMED = [
    # (part, kind, the alarm that must come)
    ("tamp", "trips", "drive_tamp"),
    ("fill.entry_eye", "stuck_on", "fill.no_clear"),
    ("turn.exit_eye", "stuck_off", "turn.no_exit"),
    ("tamp", "press_sticks", "tamp.press"),
    ("turn", "stops_at_45", "turn.turn"),
    ("magazine", "feeds_two", "magazine.double"),
    ("magazine", "feeds_none", "magazine.no_feed"),
    ("magazine", "empty", "magazine_empty"),
    ("seed", "vacuum_low", "seed.vacuum"),
    ("seed", "seed_empty", "seed_empty"),
    ("fill", "hopper_empty", "hopper_empty"),
    ("water", "supply_lost", "water_supply"),
    ("sowing", "air_lost", "air_sowing"),
    ("lane1.germ", "stroke_short", "lane1.stroke"),
    ("lane1.lift", "stops_half_way", "lane1.lift"),
    ("infeed", "grips_nothing", "infeed.grip"),
    ("infeed", "drops", "infeed.dropped"),
    ("infeed", "sticks_out", "infeed.gripper"),
    ("outfeed", "flag_missed", "outfeed.shifted"),
    ("packing", "handshake_sticks", "turnout.handover"),
    ("io_sower", "silent", "silent_io_sower"),
    ("belts_sower", "silent", "silent_belts_sower"),
]


@pytest.mark.parametrize(("part", "kind", "alarm"), NAMED, ids=lambda word: str(word))
def test_the_alarm_of_a_fault_has_its_name(shift, attendant, part, kind, alarm):
    run, _ = play(shift, attendant, part, kind, 75_000)
    bench = run.rehearsal.bench
    for _ in range(5):
        if alarm in _tags(run):
            break
        bench.run(bench.now + 20_000)
    assert alarm in _tags(run), sorted(_tags(run))
