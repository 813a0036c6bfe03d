"""Leaping and every tick agree while faults are played, on both sites; most time-outs fire."""

from __future__ import annotations

import pytest

GAP_MS = 85_000
"""From one fault to the next: it lasts a minute, then a person looks round."""
SMALL = (
    (("fill.entry_eye", "stuck_on"), ("turn", "stops_at_45"), ("packing", "handshake_sticks"),
     ("lane1.lift", "stops_half_way"), ("belts_sower", "silent")),
    (("tamp.entry_eye", "stuck_off"), ("magazine", "feeds_none"), ("lane2.germ", "stroke_short"),
     ("infeed", "grips_nothing"), ("sowing", "air_lost")),
    (("tamp", "press_sticks"), ("turn.exit_eye", "stuck_off"), ("outfeed", "flag_missed"),
     ("seed", "vacuum_low"), ("io_lanes", "silent")),
    (("water", "no_start"), ("infeed", "sticks_out"), ("lane1.grow", "stroke_short"),
     ("turnout", "stops_at_45"), ("magazine", "feeds_two")),
    (("seed.entry_eye", "flicker"), ("infeed", "drops"), ("meter", "silent"),
     ("outfeed", "grips_nothing"), ("lane2.lift", "stops_half_way")),
)  # fmt: skip
LARGE = (
    (("fill.exit_eye", "stuck_on"), ("infeed", "flag_missed")),
    (("tamp", "trips"), ("packing", "late")),
    (("seed.exit_eye", "stuck_off"), ("outfeed", "sticks_out")),
    (("water", "supply_lost"), ("lane3.grow", "stroke_short")),
    (("turn", "stops_at_45"), ("lane1.lift", "stops_half_way")),
)
MUST_FIRE = {
    "fill.no_clear", "tamp.no_entry", "turn.no_exit", "tamp.press", "turn.turn", "turnout.turn",
    "magazine.no_feed", "infeed.grip", "infeed.gripper", 
    "lane1.stroke", "lane1.lift", "turnout.handover", "water.belt",
}  # fmt: skip


def _history(shift, attendant, name: str, faults, seed: int, every_tick: bool):
    run = shift(name, seed=seed, every_tick=every_tick)
    attendant(run, first_ms=60_000)
    told: list[object] = []
    record = run.rehearsal.bench.recorder.record

    def listen(moves, events) -> None:
        told.extend(moves)
        told.extend((e.at, e.kind, e.source, e.text) for e in events)
        record(moves, events)

    run.rehearsal.bench.recorder.record = listen
    for number, (part, kind) in enumerate(faults):
        run.rehearsal.bench.run(60_000 + number * GAP_MS)
        run.do("fault", part, kind=kind, for_ms=60_000)
        told.append(run.line.digest())
    run.rehearsal.bench.run(60_000 + len(faults) * GAP_MS)
    told.append(run.line.digest())
    return told


FIRED: set[str] = set()


@pytest.mark.parametrize(
    ("name", "faults"), [*(("small", f) for f in SMALL), *(("fennmark", f) for f in LARGE)]
)
def test_leaping_and_ticking_agree_while_faults_are_played(shift, attendant, name, faults):
    seed = (SMALL if name == "small" else LARGE).index(faults)
    leaping = _history(shift, attendant, name, faults, seed, every_tick=False)
    ticking = _history(shift, attendant, name, faults, seed, every_tick=True)
    for number, (one, other) in enumerate(zip(leaping, ticking, strict=False)):
        assert one == other, f"entry {number}"
    assert len(leaping) == len(ticking)
    FIRED.update(row[2] for row in leaping if isinstance(row, tuple) and row[1] == "alarm_on")


def test_the_time_outs_fired_in_those_runs():
    assert MUST_FIRE <= FIRED, sorted(MUST_FIRE - FIRED)
