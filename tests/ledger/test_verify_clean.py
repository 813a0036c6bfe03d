"""What the line records, rehearsed or at random, verifies clean; the replay says what stands."""

from __future__ import annotations

import os
import sqlite3
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from long_history import History
from random_walk import Walk

from linectl.image import Move, Slot
from linectl.ledger import Ledger
from linectl.ledger.archive import archive
from linectl.ledger.verify import verify

T0 = 1_700_000_000_000
VERSION_1 = Path(__file__).parent / "version1.sql"
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


def test_a_run_that_was_made_longer_is_proved_from_then_on(path, make_site, journey, tmp_path):
    first = Ledger.open(path, make_site(), lambda: T0)
    first.seed_lanes([Slot("lane1.grow.7", 5, "oak", -9, 9), Slot("lane1.grow.2", 6, "oak", -9, 9)])
    first.record(journey.step("eject", 5, "lane1.grow.7", "outfeed"), [])
    first.close()
    second = Ledger.open(path, make_site(grow_slots=9), lambda: T0 + 60_000)
    journey.at = 0
    second.record(journey.step("handover", 5, "outfeed", "packing"), [])
    strokes = [move for _ in range(6) for move in journey.stroke("lane1.grow")]
    second.record([*strokes, *journey.step("eject", 6, "lane1.grow.8", "outfeed")], [])
    second.close()
    verdict = verify(path)
    assert verdict.ok and (verdict.from_number, verdict.done) == (2, 8)
    done = archive(path, 3000, str(tmp_path))
    assert faults(path) == faults(done.archive) == []


def test_a_ledger_of_version_1_is_proved_from_where_it_was_brought_forward(path, site, journey):
    db = sqlite3.connect(path)
    db.executescript(VERSION_1.read_text(encoding="utf-8"))
    db.close()
    ledger = Ledger.open(path, site, lambda: T0 + 60_000)
    number, gutter = ledger.next_move(), ledger.next_gutter()
    fed = Move(number, "feed", gutter, "stock", "magazine", "", False, 10)
    if "magazine" not in ledger.places().values():
        ledger.record([fed, fed._replace(done=True, at=20)], [])
    ledger.close()
    verdict = verify(path)
    assert verdict.findings.kept == [] and verdict.from_number == number


def test_a_ledger_without_a_move_verifies_clean(path, site):
    Ledger.open(path, site).close()
    assert faults(path) == []


def test_a_gutter_fed_while_the_one_before_it_is_still_on_its_way_out_verifies_clean(
    path, site, journey
):
    """Its tail is out of the magazine; the eye that ends its move has not yet seen it."""
    ledger = Ledger.open(path, site)
    fed = journey.step("feed", 1, "stock", "magazine")
    intent, done = journey.step("convey", 1, "magazine", "fill")
    ledger.record([*fed, intent, *journey.step("feed", 2, "stock", "magazine")], [])
    assert faults(path) == []
    ledger.record([done._replace(at=journey.at + 50)], [])
    ledger.record(journey.step("process", 1, "fill", "fill"), [])
    ledger.record(journey.step("convey", 1, "fill", "water"), [])
    ledger.record(journey.step("convey", 2, "magazine", "fill"), [])
    assert faults(path) == []
    ledger.record(journey.step("feed", 3, "stock", "fill"), [])
    assert faults(path) != []  # nothing leads gutter 2 out of it
    ledger.close()
