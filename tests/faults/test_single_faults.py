"""Every fault that the plant can play, alone: no rule violated, a named alarm, and recovery.

A fault begins while the small line works and lasts a minute; then a person puts things right.
"""

from __future__ import annotations

import os
from fnmatch import fnmatchcase
from pathlib import Path

import pytest

from linectl.site.faults import fault_kinds
from linectl.site.load import load_site

SMALL = load_site(Path(__file__).parents[2] / "config" / "small")
STARTS_MS = (75_000, 251_300)
FULL = os.environ.get("LINECTL_CAMPAIGN") == "full"

QUIET = {
    # fault → why no alarm need come within its minute
    "*.flicker": "an eye may flicker while nothing relies on it",
    "*.entry_eye.stuck_*": "found by the next gutter, perhaps after the minute",
    "*.exit_eye.stuck_*": "found by the next gutter, perhaps after the minute",
    "*.last_eye.stuck_*": "found by the next stroke or eject",
    "*.first_eye.stuck_*": "found by the next stroke, insert or transfer",
    "*.centred.stuck_*": "found by the next gutter on the table",
    "*.on_board.stuck_*": "found by the next pick, put or transfer",
    "magazine.not_low.*": "a low magazine is an advice, and a stuck eye may read what is true",
    "magazine.not_empty.stuck_on": "found when the magazine is empty",
    "magazine.single.stuck_on": "a double-feed eye that is blind is found by its own inspection",
    "*.skewed": "a skew within the length tolerance is let pass",
    "*.drifts": "a creep is found when its belt, carriage or lift is next relied on",
    "*.off_position": "found at the next stop",
    "*.flag_missed": "found at the next stop",
    "*.grips_nothing": "found at the next pick",
    "*.drops": "found at the next pick",
    "*.sticks_out": "found at the next reach",
    "*.no_start": "found at the next start",
    "*.stops_at_45": "found at the next turn",
    "*.stops_half_way": "found at the next transfer",
    "*.stroke_short": "found at the next stroke",
    "*.overruns": "found at the next stroke, if an eye can see it",
    "*.one_run_only": "found at the next stroke",
    "packing.*": "people who are late are no fault; a lost word is found at its time-out",
    "water.valve_leaks": "found by the meter at the next gutter, within its tolerance",
    "fill.hopper_empty": "blocks before the next gutter",
    "seed.seed_empty": "blocks before the next gutter",
    "magazine.empty": "suspends before the next gutter",
    "*.late": "answers within the time it is silent for",
    "magazine.feeds_*": "found at the next feed",
    "tamp.press_sticks": "found at the next press",
    "seed.vacuum_low": "found by the next gutter",
}

CASES = [
    (part, kind)
    for part, kinds in fault_kinds(SMALL).items()
    if not part.startswith("lane2")  # the mirror of lane 1
    for kind in kinds
]


def _may_be_quiet(name: str) -> bool:
    return any(fnmatchcase(name, pattern) for pattern in QUIET)


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
    name = f"{part}.{kind}"
    assert alarms or _may_be_quiet(name), "no alarm"
    bench = run.rehearsal.bench
    indexed = run.plant.report()["gutters"]["indexed"]
    bench.run(bench.now + 5 * 60_000)
    assert run.plant.report()["violations"] == []
    assert run.plant.report()["gutters"]["indexed"] > indexed + 4, "the line did not recover"
    assert run.state("sowing") == "Execute"
    assert run.state("harvest") == "Execute"


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
