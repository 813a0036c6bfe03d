"""A gutter taken off in the middle of a move is told from where the record has it."""

from __future__ import annotations

import sqlite3
from contextlib import closing

from linectl.ledger.verify import verify


def test_a_gutter_rejected_under_the_water_is_told_from_where_its_open_move_began(shift, tmp_path):
    path = tmp_path / "line.sqlite3"
    run = shift("small", seed=5, ledger=str(path))
    bench, water = run.rehearsal.bench, run.line.stations["water"]
    while water.state != "tooling":
        bench.run(bench.now + 100)
    gutter = water.gutter
    run.command("sowing", "abort")
    bench.run(bench.now + 2_000)
    assert water.state == "partial"
    assert run.line.gutters[gutter].place == "tamp"  # its tail is still there, its move open
    (place,) = (place for place, there in run.plant.places().items() if there == gutter)
    run.do("take out", place)
    bench.run(bench.now + 1_000)
    run.command("", "partial", "water reject")
    bench.run(bench.now + 1_000)
    assert gutter not in run.line.gutters
    assert run.outcome["ledger"]["rejected"] == 1
    with closing(sqlite3.connect(path)) as second:
        told = second.execute("SELECT gutter, source FROM moves_told WHERE kind = 'reject'")
        assert told.fetchall() == [(gutter, "tamp")]
    verdict = verify(str(path))
    assert verdict.ok, verdict.first
