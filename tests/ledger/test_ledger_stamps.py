"""What a gutter carries with it: when each thing was done to it, and from which lots."""

from __future__ import annotations

import pytest

from linectl.image import Event, Slot
from linectl.ledger import Ledger
from linectl.ledger.trace import trace

DAY = 86_400_000
T0 = 1_700_000_000_000  # 2023-11-14 22:13:20 UTC


@pytest.fixture
def ledger(path, site):
    opened = Ledger.open(path, site, lambda: T0)
    yield opened
    opened.close()


def lot(at, kind, name, crop="", by="anna"):
    return Event(at, "lot", kind, "", {"kind": kind, "lot": name, "crop": crop, "by": by})


def test_each_step_leaves_its_time_with_the_gutter(ledger, second, journey):
    ledger.record(journey.sow(1), [])
    ledger.record(journey.step("eject", 1, "lane1.germ.0", "outfeed"), [])
    ledger.record(journey.step("handover", 1, "outfeed", "packing"), [])
    columns = "fed_ms, wet_ms, sown_ms, ripe_ms, indexed_ms, ejected_ms, handed_ms"
    (times,) = second.rows(f"SELECT {columns} FROM gutters")
    assert [time - T0 for time in times] == [
        1000,
        5400,  # the intent: from then on the valve may have opened
        8000,
        8000 + 24 * DAY,
        10_000,
        11_000,
        12_000,
    ]
    assert second.one("SELECT lane FROM gutters") == 1


def test_a_gutter_is_wet_as_soon_as_the_valve_may_open(ledger, second, journey):
    up_to_intent = journey.sow(1)[:11]
    assert (up_to_intent[-1].kind, up_to_intent[-1].dest) == ("process", "water")
    ledger.record(up_to_intent[:-1], [])
    assert second.one("SELECT wet_ms FROM gutters") is None
    ledger.record(up_to_intent[-1:], [])
    assert second.one("SELECT wet_ms FROM gutters") == T0 + 5400


def test_a_gutter_that_the_drum_did_not_sow_is_indexed_without_a_crop(ledger, second, journey):
    ledger.record(journey.step("feed", 1, "stock", "magazine"), [])
    ledger.record(journey.step("insert", 1, "infeed", "lane1.germ.0", ""), [])
    columns = "crop, lot, sown_ms, ripe_ms, indexed_ms"
    assert second.rows(f"SELECT {columns} FROM gutters") == [("", None, None, None, T0 + 2000)]
    assert ledger.standing() == [Slot("lane1.germ.0", 1, "", 2000, 2000)]  # ripe since then


def test_a_sowing_lot_is_one_crop_sown_on_one_day(ledger, second, journey):
    ledger.record(journey.sow(1), [])
    ledger.record(journey.stroke("lane1.germ"), [])
    journey.at += 2 * 3_600_000  # past midnight UTC
    ledger.record([*journey.sow(2), *journey.stroke("lane1.germ"), *journey.sow(3)], [])
    found = second.rows("SELECT g.id, l.kind, l.name FROM gutters g JOIN lots l ON l.id = g.lot")
    assert found == [
        (1, "sowing", "2023-11-14-oak"),
        (2, "sowing", "2023-11-15-oak"),
        (3, "sowing", "2023-11-15-oak"),
    ]


def test_lots_in_use_go_with_what_is_done_after_they_were_loaded(ledger, second, journey):
    first = journey.sow(1)
    loaded = [
        lot(1, "substrate", "B-7"),
        lot(2, "seed", "S-1", "oak"),
        lot(3, "seed", "S-9", "ice"),
    ]
    ledger.record(first, loaded)
    between = [
        lot(journey.at + 2500, "substrate", "B-8"),
        lot(journey.at + 9500, "seed", "S-2", "oak"),
    ]
    ledger.record(journey.stroke("lane1.germ"), [])
    ledger.record(journey.sow(2), between)  # both told on the way: fill is done later, the drum not
    ledger.record([], [lot(journey.at, "packing", "P-1")])
    ledger.record(journey.step("handover", 1, "outfeed", "packing"), [])
    names = second.rows(
        "SELECT g.id, b.name, s.name, p.name FROM gutters g"
        " LEFT JOIN lots b ON b.id = g.substrate_lot LEFT JOIN lots s ON s.id = g.seed_lot"
        " LEFT JOIN lots p ON p.id = g.packing_lot ORDER BY g.id"
    )
    assert names == [(1, "B-7", "S-1", "P-1"), (2, "B-8", "S-1", None)]
    assert second.rows(
        "SELECT u.kind, u.crop, l.name, u.by FROM in_use u JOIN lots l ON l.id = u.lot"
        " ORDER BY 1, 2"
    ) == [
        ("packing", "", "P-1", "anna"),
        ("seed", "ice", "S-9", "anna"),
        ("seed", "oak", "S-2", "anna"),
        ("substrate", "", "B-8", "anna"),
    ]
    assert second.one("SELECT count(*) FROM events WHERE kind = 'lot'") == 6


def test_a_lot_that_is_loaded_stays_so_after_a_restart(path, second, site, journey):
    first = Ledger.open(path, site, lambda: T0)
    first.record([], [lot(0, "seed", "S-1", "oak")])
    first.close()
    later = Ledger.open(path, site, lambda: T0 + DAY)
    later.record(journey.sow(1), [])
    later.close()
    assert second.rows("SELECT l.name FROM gutters g JOIN lots l ON l.id = g.seed_lot") == [
        ("S-1",)
    ]


def test_a_lot_whose_transaction_failed_is_not_in_use(ledger, second, journey):
    wrong = journey.step("convey", 1, "magazine", "lane1.germ.9")
    with pytest.raises(Exception, match=r"lane1\.germ\.9"):
        ledger.record(wrong, [lot(0, "seed", "S-1", "oak")])
    ledger.record(journey.sow(1), [])
    assert second.rows("SELECT seed_lot FROM gutters") == [(None,)]
    assert second.one("SELECT count(*) FROM in_use") == 0


def test_a_person_finds_a_gutter_in_a_slot_and_takes_another_out(ledger, second, journey):
    ledger.seed_lanes([Slot("lane1.grow.7", 11, "oak", -DAY, DAY)])
    ledger.record(journey.step("correct", 11, "lane1.grow.7", "removed"), [])
    ledger.record(journey.step("correct", 12, "removed", "lane1.grow.7"), [])
    ledger.record(journey.step("correct", 13, "removed", "lane1.grow.4", ""), [])
    ledger.record(journey.step("correct", 11, "removed", "lane1.grow.5"), [])
    assert (
        second.slots()
        == ledger.places()
        == {
            11: "lane1.grow.5",
            12: "lane1.grow.7",
            13: "lane1.grow.4",
        }
    )
    assert second.rows("SELECT id, crop, lane FROM gutters ORDER BY id") == [
        (11, "oak", 1),
        (12, "oak", 1),
        (13, "", 1),
    ]


def test_an_unnamed_gutter_is_found_moves_by_its_place_and_is_taken_out(ledger, second, journey):
    ledger.seed_lanes(
        [Slot("lane1.grow.7", -1, "", 0, 0), Slot("lane1.grow.3", -1, "", 0, 0)],
    )
    ledger.record(journey.step("correct", -1, "removed", "lane1.germ.3", ""), [])
    assert second.slots() == {-3: "lane1.germ.3", -2: "lane1.grow.3", -1: "lane1.grow.7"}
    ledger.record(journey.step("transfer", -1, "lane1.germ.3", "lane1.lift", ""), [])
    ledger.record(journey.step("correct", -1, "lane1.grow.7", "removed", ""), [])
    assert second.slots() == {-2: "lane1.grow.3"}
    assert [slot.place for slot in ledger.standing()] == ["lane1.grow.3", "lane1.lift"]
    assert ledger.counts()["removed_from_lanes"] == 1


def test_unnamed_gutters_that_were_taken_out_do_not_come_back_when_another_is_found(
    ledger, second, journey
):
    ledger.seed_lanes(
        [Slot("lane1.grow.7", -1, "", 0, 0), Slot("lane1.grow.3", -1, "", 0, 0)],
    )
    for slot in ("lane1.grow.7", "lane1.grow.3"):
        ledger.record(journey.step("correct", -1, slot, "removed", ""), [])
    ledger.record(journey.step("correct", -1, "removed", "lane1.germ.0", ""), [])
    assert second.slots() == {-3: "lane1.germ.0"}
    assert [slot.place for slot in ledger.standing()] == ["lane1.germ.0"]


def test_a_person_gives_an_unnamed_gutter_its_id(ledger, second, journey):
    ledger.seed_lanes([Slot("lane1.grow.7", -1, "", 0, 0)])
    ledger.record(journey.step("correct", -1, "lane1.grow.7", "removed", ""), [])
    ledger.record(journey.step("correct", 40, "removed", "lane1.grow.7"), [])
    assert second.slots() == {40: "lane1.grow.7"}
    assert ledger.next_gutter() == 41


def test_a_reservation_and_its_release_move_no_gutter(ledger, second, journey):
    ledger.record(journey.step("feed", 1, "stock", "magazine"), [])
    ledger.record(journey.step("reserve", 1, "magazine", "lane1.germ.0"), [])
    ledger.record(journey.step("release", 1, "lane1.germ.0", "magazine"), [])
    assert ledger.places() == {1: "magazine"}
    assert second.rows("SELECT kind, source, dest FROM moves_told WHERE number > 1") == [
        ("reserve", "magazine", "lane1.germ.0"),
        ("release", "lane1.germ.0", "magazine"),
    ]


def test_what_a_scale_weighed_of_a_gutter_is_kept_and_the_last_time_holds(path, second, site):
    ledger = Ledger.open(path, site)

    def weighed(at, kg):
        return Event(at, "gutter_weight", "packing", "", {"gutter": 7, "crop": "oak", "kg": kg})

    ledger.record([], [weighed(5, 2.1), weighed(6, 2.2)])
    at_ms = ledger.started_ms + 6
    ledger.close()
    assert second.rows("SELECT * FROM gutter_weights") == [(7, "oak", 2.2, at_ms)]


def test_the_path_of_a_first_gutter_says_what_was_found_of_it(path, site, journey):
    data = {"gutter": 1, "crop": "oak", "lot": "S-2", "seeds": 53, "verdict": "good",
            "text": "", "by": "anna"}  # fmt: skip
    ledger = Ledger.open(path, site, lambda: T0)
    ledger.record(journey.sow(1), [Event(9, "first_gutter", "gutter1", "", data)])
    at_ms = ledger.started_ms + 9
    ledger.record(journey.sow(11), [])
    ledger.close()
    (found,) = trace(path, "1").gutter.first
    assert found == (at_ms, "oak", "S-2", 53, "good", "", "anna")
    assert trace(path, "11").gutter.first == []
