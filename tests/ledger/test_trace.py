"""A lot is traced both ways, and a gutter along its whole path, beside a controller that writes."""

from __future__ import annotations

import sqlite3
from contextlib import closing
from itertools import pairwise

import pytest

from linectl.errors import LedgerUnreachable, UsageError
from linectl.image import Event, Loaded, Slot
from linectl.ledger import Ledger, lots
from linectl.ledger.gutter_path import Day, gutter_path
from linectl.ledger.lot_trace import Share, Span, lot_trace
from linectl.ledger.trace import trace

DAY = 86_400_000
T0 = 1_700_000_000_000 // DAY * DAY


class Farm:
    """A ledger, and what happens to gutters on a lane of four and eight slots."""

    def __init__(self, path, site, journey):
        self.path = path
        self.ledger = Ledger.open(path, site, lambda: T0)
        self.journey = journey

    def lot(self, kind, name, crop="", by="anna"):
        data = {"kind": kind, "lot": name, "crop": crop, "by": by}
        self.ledger.record([], [Event(self.journey.at, "lot", kind, "", data)])

    def weigh(self, name, kg, crop="", by="ben"):
        data = {"lot": name, "kg": kg, "crop": crop, "by": by}
        self.ledger.record([], [Event(self.journey.at, "weight", name, "", data)])

    def sow(self, *gutters):
        """Each to the mouth, then one stroke of the first run."""
        for gutter in gutters:
            self.ledger.record(self.journey.sow(gutter), [])
            self.stroke("lane1.germ")

    def stroke(self, run, times=1):
        for _ in range(times):
            self.ledger.record(self.journey.stroke(run), [])

    def step(self, kind, gutter, source, dest):
        self.ledger.record(self.journey.step(kind, gutter, source, dest), [])

    def hand_over(self, gutter, slot):
        """From its slot of the second run to packing."""
        self.step("eject", gutter, f"lane1.grow.{slot}", "outfeed")
        self.step("handover", gutter, "outfeed", "packing")

    def lift(self, gutter):
        self.step("transfer", gutter, "lane1.germ.3", "lane1.grow.0")

    def trace(self, name):
        (found,) = trace(self.path, name).lots
        return found


@pytest.fixture
def farm(path, site, journey):
    farm = Farm(path, site, journey)
    yield farm
    farm.ledger.close()


@pytest.fixture
def harvested(farm):
    """Gutters 1, 2 of seed S-1 and 3 of S-2, all on PEAT-1; 1 packed in P-1, 2 in P-2."""
    farm.lot("substrate", "PEAT-1")
    farm.lot("seed", "S-1", "oak")
    farm.sow(1, 2)
    farm.lot("seed", "S-2", "oak", by="ben")
    farm.sow(3)
    farm.lift(1)
    farm.stroke("lane1.grow")
    farm.stroke("lane1.germ")
    farm.lift(2)
    farm.lot("packing", "P-1")
    farm.hand_over(1, 1)
    farm.lot("packing", "P-2")
    farm.hand_over(2, 0)
    return farm


def named(trace, kind):
    return {share.name: share.gutters for share in trace.shares[kind]}


# both ways ----------------------------------------------------------------------------------------


def test_a_seed_lot_leads_to_its_packing_lots_with_quantities_and_times(harvested):
    told = harvested.trace("S-1")
    assert (told.gutters, told.ranges, told.crops) == (2, [(1, 2)], {"oak": 2})
    assert named(told, "packing") == {"P-1": 1, "P-2": 1}
    first, last = told.shares["packing"]
    assert first.span.from_ms == first.span.to_ms == told.handed.from_ms
    assert last.span.to_ms == told.handed.to_ms > first.span.to_ms
    assert told.now == {"packing": 2}
    assert told.remarks == []


def test_a_packing_lot_leads_back_to_seed_substrate_and_lanes(harvested):
    told = harvested.trace("P-2")
    assert (told.ranges, named(told, "seed")) == ([(2, 2)], {"S-1": 1})
    assert named(told, "substrate") == {"PEAT-1": 1}
    (lane,) = told.lanes
    assert (lane.lane, lane.gutters) == (1, 1)
    assert lane.runs == (("lane1.germ", 4), ("lane1.grow", 8))
    assert lane.indexed == told.indexed
    (row,) = told.rows
    assert (row.id, row.place, row.handed_ms) == (2, "packing", told.handed.from_ms)


def test_forth_and_back_agree_for_every_pair_of_lots(harvested):
    with closing(sqlite3.connect(harvested.path)) as connection:
        every = [lot for (name,) in connection.execute("SELECT name FROM lots")
                 for lot in lots.find(connection, name)]  # fmt: skip
        pairs = {
            (one.kind, one.name, kind, share.name): share.gutters
            for one in every
            for kind, shares in lot_trace(connection, one).shares.items()
            for share in shares
        }
    assert len(every) == 6
    for (kind, name, other_kind, other), count in pairs.items():
        assert pairs[other_kind, other, kind, name] == count


def test_a_gutter_keeps_the_lot_with_which_it_was_sown(harvested):
    told = harvested.trace("S-2")
    assert told.ranges == [(3, 3)]
    assert told.now == {"lanes": 1}
    (standing,) = told.standing
    assert (standing.run, standing.from_slot, standing.to_slot) == ("lane1.germ", 2, 2)
    assert told.shares["packing"] == []
    assert told.lot.by == "ben"


def test_a_sowing_lot_is_traced_too(harvested):
    (day,) = [share.name for share in harvested.trace("PEAT-1").shares["sowing"]]
    told = harvested.trace(day)
    assert (told.lot.kind, told.gutters) == ("sowing", 3)
    assert named(told, "seed") == {"S-1": 2, "S-2": 1}


def test_the_trace_is_read_while_a_controller_writes(harvested):
    with closing(sqlite3.connect(harvested.path, isolation_level=None)) as writer:
        writer.execute("BEGIN IMMEDIATE")
        writer.execute("UPDATE gutters SET packing_lot = NULL")
        assert harvested.trace("P-1").gutters == 1
        writer.execute("ROLLBACK")


# what is not known ----------------------------------------------------------------------------


def test_what_nobody_named_is_told_as_not_named(farm):
    farm.lot("seed", "S-1", "oak")
    farm.sow(1)
    farm.lot("seed", "", "oak")
    farm.sow(2)
    farm.lift(1)
    farm.hand_over(1, 0)
    told = farm.trace("S-1")
    assert told.ranges == [(1, 1)]
    at = told.handed.from_ms
    assert told.shares["packing"] == [Share(None, ("oak",), 1, Span(at, at))]
    assert "1 of its gutters have no substrate lot: not named" in told.remarks
    assert "1 of its gutters have no packing lot: not named" in told.remarks
    assert trace(farm.path, "2").gutter.lots["seed"] is None
    assert "its seed lot was not named" in trace(farm.path, "2").gutter.remarks


def test_a_gutter_that_is_not_handed_over_yet_lacks_no_packing_lot(farm):
    farm.lot("seed", "S-1", "oak")
    farm.lot("substrate", "PEAT-1")
    farm.sow(1)
    told = farm.trace("S-1")
    assert told.shares["packing"] == []
    assert told.remarks == []


def test_a_gutter_that_is_not_filled_or_sown_yet_lacks_no_lot(farm):
    farm.step("feed", 1, "stock", "magazine")
    path = trace(farm.path, "1").gutter
    assert path.lots == dict.fromkeys(("sowing", "substrate", "seed", "packing"))
    assert path.remarks == []


def test_a_persons_correction_is_said(harvested):
    harvested.step("correct", 3, "lane1.germ.2", "removed")
    told = harvested.trace("S-2")
    assert (told.corrected, told.now) == ([3], {"removed": 1})
    assert any("corrected or removed by a person" in remark for remark in told.remarks)
    assert any("a person" in remark for remark in trace(harvested.path, "3").gutter.remarks)
    assert harvested.trace("S-1").corrected == []


def test_a_move_that_was_never_seen_done_is_said(harvested):
    intent, _ = harvested.journey.step("transfer", 3, "lane1.germ.2", "lane1.grow.0")
    harvested.ledger.record([intent], [])
    told = harvested.trace("S-2")
    assert told.uncertain == [3]
    assert any("never seen done" in remark for remark in told.remarks)
    path = trace(harvested.path, "3").gutter
    assert [(act.kind, act.done_ms) for act in path.acts][-1] == ("transfer", None)
    assert harvested.trace("S-1").uncertain == []


def test_an_archive_that_may_hold_a_correction_is_said(harvested):
    with closing(sqlite3.connect(harvested.path)) as connection, connection:
        connection.execute(
            "INSERT INTO checkpoint (number, at_ms, why, last_gutter, gutters, archive, digest,"
            " state) VALUES (1, ?, 'archive', 0, 0, 'line-2023.sqlite3', '', '{}')",
            (T0 + 12_000,),  # gutter 1 was sown before it, gutter 3 after
        )
        connection.execute("DELETE FROM moves WHERE gutter = 1")
    (remark,) = harvested.trace("S-1").remarks
    assert "archive line-2023.sqlite3" in remark
    assert "2023-11-14" in remark
    assert harvested.trace("S-2").remarks == []
    assert any("line-2023.sqlite3" in said for said in trace(harvested.path, "1").gutter.remarks)


def test_what_stood_there_before_the_ledger_began_has_no_beginning(farm):
    farm.ledger.seed_lanes([Slot("lane1.grow.6", 1, "oak", -DAY, 0)])
    farm.lot("packing", "P-1")
    farm.hand_over(1, 6)
    assert "1 of its gutters have no seed lot: not named" in farm.trace("P-1").remarks
    path = trace(farm.path, "1").gutter
    assert path.stays[0][:6] == ("lane1.grow", "", None, path.times["ejected_ms"], None, 6)
    assert "stood here when the ledger began" in path.remarks[0]


def test_a_name_that_the_ledger_has_not_is_refused_with_the_nearest(harvested):
    with pytest.raises(UsageError, match="PEAT-1"):
        trace(harvested.path, "PEAT1")
    with pytest.raises(UsageError, match="no lot and no gutter"):
        trace(harvested.path, "99")


def test_another_sites_ledger_is_refused(harvested):
    assert trace(harvested.path, "P-1", "bench").lots
    with pytest.raises(LedgerUnreachable, match="belongs to site bench"):
        trace(harvested.path, "P-1", "elsewhere")


def test_one_name_may_stand_for_lots_of_two_kinds_and_for_a_gutter(harvested):
    harvested.lot("packing", "3")
    harvested.lot("seed", "3", "oak")
    found = trace(harvested.path, "3")
    assert sorted(one.lot.kind for one in found.lots) == ["packing", "seed"]
    assert found.gutter.id == 3


# weights, and what is loaded ------------------------------------------------------------------


def test_weighings_add_up_and_a_wrong_one_is_taken_back(harvested):
    for kg in (12.5, 11.0, -11.0, 10.0):
        harvested.weigh("P-1", kg, "oak")
    told = harvested.trace("P-1")
    assert [weight.kg for weight in told.weights] == [12.5, 11.0, -11.0, 10.0]
    assert told.kg == pytest.approx(22.5)
    assert told.remarks == []
    assert harvested.trace("P-2").kg is None
    assert "nothing was weighed of it" in harvested.trace("P-2").remarks


def test_a_weighing_of_a_lot_to_which_no_gutter_went_is_kept_and_said(harvested):
    harvested.weigh("P-11", 5.0)
    told = harvested.trace("P-11")
    assert (told.gutters, told.kg) == (0, 5.0)
    assert any("mistyped" in remark for remark in told.remarks)


def test_a_weighing_of_a_crop_that_the_lot_has_not_is_said(harvested):
    harvested.weigh("P-1", 5.0, "rocket")
    assert any("no gutter of it had that crop: rocket" in r for r in harvested.trace("P-1").remarks)


def test_what_is_loaded_is_told_at_the_next_start(farm, path, site):
    farm.lot("substrate", "PEAT-1")
    farm.lot("seed", "S-1", "oak")
    farm.lot("packing", "P-1")
    farm.lot("packing", "")
    farm.ledger.close()
    later = Ledger.open(path, site, lambda: T0 + DAY)
    try:
        assert later.lots_in_use() == [
            Loaded("seed", "oak", "S-1", "anna", -DAY),
            Loaded("substrate", "", "PEAT-1", "anna", -DAY),
        ]
    finally:
        later.close()


# one gutter -----------------------------------------------------------------------------------


def test_a_gutters_path_has_every_place_and_the_slots_it_went_through(harvested):
    path = trace(harvested.path, "1").gutter
    told = [(stay.place, stay.came, stay.from_slot, stay.to_slot) for stay in path.stays]
    assert told == [
        ("magazine", "feed", None, None), ("fill", "convey", None, None),
        ("water", "convey", None, None), ("seed", "convey", None, None),
        ("infeed", "convey", None, None), ("lane1.germ", "insert", 0, 3),
        ("lane1.grow", "transfer", 0, 1), ("outfeed", "eject", None, None),
        ("packing", "handover", None, None),
    ]  # fmt: skip
    ends = [(stay.from_ms, stay.to_ms) for stay in path.stays]
    assert all(before[1] == after[0] for before, after in pairwise(ends))
    assert ends[-1][1] is None
    assert [act.kind for act in path.acts] == ["process", "reserve", "process", "process"]
    assert path.lots == {"sowing": "2023-11-14-oak", "substrate": "PEAT-1", "seed": "S-1",
                         "packing": "P-1"}  # fmt: skip
    assert path.remarks == []


def test_a_long_stay_is_told_as_a_range_of_slots_for_each_day(farm):
    farm.ledger.record(farm.journey.sow(1), [])
    inserted = T0 + farm.journey.at
    farm.stroke("lane1.germ", 2)
    farm.journey.at = DAY + 5_000
    farm.stroke("lane1.germ")
    farm.lift(1)
    farm.journey.at = 3 * DAY
    farm.stroke("lane1.germ")  # of the other run: does not concern it any more
    farm.stroke("lane1.grow", 3)
    farm.journey.at = 5 * DAY
    farm.stroke("lane1.grow", 4)
    germ, grow = trace(farm.path, "1").gutter.stays[-2:]
    assert germ.days == (Day(inserted, 0, 2), Day(T0 + DAY, 2, 3))
    assert grow.days == (Day(T0 + 3 * DAY, 0, 3), Day(T0 + 5 * DAY, 3, 7))
    assert (grow.from_slot, grow.to_slot, grow.to_ms) == (0, 7, None)


# speed ----------------------------------------------------------------------------------------


def test_no_question_of_a_trace_reads_all_gutters_or_all_moves(harvested):
    harvested.weigh("P-1", 1.0)
    asked = []
    with closing(sqlite3.connect(harvested.path)) as connection:
        connection.set_trace_callback(asked.append)
        for name in ("S-1", "PEAT-1", "P-1", "2023-11-14-oak"):
            for lot in lots.find(connection, name):
                lot_trace(connection, lot)
        assert gutter_path(connection, 1) is not None
        connection.set_trace_callback(None)
        plans = {sql: [row[3] for row in connection.execute(f"EXPLAIN QUERY PLAN {sql}")]
                 for sql in asked}  # fmt: skip
    assert sum("FROM gutters" in sql for sql in plans) >= 12
    assert sum("FROM moves" in sql for sql in plans) >= 3
    scans = {step for steps in plans.values() for step in steps if step.startswith("SCAN")}
    assert any("moves_by_hand" in step for steps in plans.values() for step in steps)
    assert scans <= {
        "SCAN places",
        "SCAN weights",
        "SCAN checkpoint",
        "SCAN m USING INDEX moves_open",
    }


def test_a_question_without_its_index_would_be_found(harvested):
    with closing(sqlite3.connect(harvested.path)) as connection:
        connection.execute("DROP INDEX gutters_by_seed")
        plan = connection.execute("EXPLAIN QUERY PLAN SELECT id FROM gutters WHERE seed_lot = 1")
        assert [row[3] for row in plan] == ["SCAN gutters"]
