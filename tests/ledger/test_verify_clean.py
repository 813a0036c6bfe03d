"""What the line records, rehearsed or at random, verifies clean; the replay says what stands."""

from __future__ import annotations

import os
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from long_history import History
from random_walk import Walk

from linectl.ledger import Ledger
from linectl.ledger.verify import verify

CAMPAIGN = os.environ.get("LINECTL_CAMPAIGN") == "full"


def faults(path) -> list[str]:
    return [f"{f.table} {f.row}: {f.text}" for f in verify(str(path)).findings.kept]


@pytest.mark.parametrize("name", ["tiny", "small", "one_run", "counter_flow", "fennmark"])
def test_a_rehearsed_shift_of_every_site_verifies_clean(name, tmp_path, shift):
    path = tmp_path / "line.sqlite3"
    rehearsed = shift(name, ledger=str(path)).run("12m")
    standing = rehearsed.outcome["ledger"]["in_lanes"] + rehearsed.outcome["ledger"]["in_sower"]
    assert faults(path) == []
    verdict = verify(str(path))
    assert verdict.moves >= verdict.done > 50
    assert verdict.standing >= standing > 0


@settings(
    max_examples=200 if CAMPAIGN else 8,
    deadline=None,
    suppress_health_check=[HealthCheck.function_scoped_fixture],
)
@given(seed=st.integers(0, 2**32), full=st.booleans())
def test_whatever_is_legal_verifies_clean_and_stands_where_it_was_laid(
    seed, full, path, site, second
):
    for file in Path(path).parent.glob("line.sqlite3*"):
        file.unlink()
    walk = Walk(path, site, seed, full)
    walk.go(2000 if CAMPAIGN else 400)
    assert faults(path) == []
    told = second.slots()
    named = {gutter: place for gutter, place in walk.places().items() if "." in place}
    assert {gutter: place for gutter, place in told.items() if gutter > 0} == named
    assert sorted(place for gutter, place in told.items() if gutter < 0) == walk.unnamed()


def test_a_long_history_written_in_bulk_verifies_clean(tmp_path):
    path = tmp_path / "line.sqlite3"
    written = History(path).write(20_000)
    assert faults(path) == []
    verdict = verify(str(path))
    assert (verdict.moves, verdict.gutters) == (written.moves, written.gutters)


def test_it_is_proved_beside_a_controller_that_writes(path, site, journey):
    ledger = Ledger.open(path, site)
    sown = journey.sow(1)
    ledger.record(sown, [])
    verdict = verify(path)
    assert verdict.ok and verdict.moves == len(sown) / 2
    ledger.record(journey.stroke("lane1.germ"), [])
    ledger.close()
    assert faults(path) == []


def test_a_ledger_without_a_move_verifies_clean(path, site):
    Ledger.open(path, site).close()
    assert faults(path) == []
