"""The ledger records what happened to each gutter, and gives the lanes back after a restart."""

from __future__ import annotations

import time

import pytest

from linectl.errors import LedgerBroken, LedgerUnreachable
from linectl.image import Event, Slot
from linectl.ledger import Ledger

DAY = 86_400_000
T0 = 1_700_000_000_000  # 2023-11-14 22:13:20 UTC


def at(milliseconds):
    return lambda: milliseconds


@pytest.fixture
def ledger(path, site):
    opened = Ledger.open(path, site, at(T0))
    yield opened
    opened.close()


def test_a_sown_gutter_stands_at_the_mouth_with_its_crop_and_its_days(ledger, second, journey):
    ledger.record(journey.sow(1), [])
    sown = 8000  # the drum had done with it in the eighth step
    assert ledger.standing() == [Slot("lane1.germ.0", 1, "oak", sown, sown + 24 * DAY)]
    assert second.rows("SELECT * FROM slots") == [
        (1, "lane1.germ", 0, 1, "oak", 1, T0 + sown, T0 + sown + 24 * DAY)
    ]


def test_a_stroke_moves_the_whole_row_and_leaves_a_hole_at_the_mouth(ledger, second, journey):
    ledger.record([*journey.sow(1), *journey.stroke("lane1.germ"), *journey.sow(2)], [])
    assert ledger.places() == second.slots() == {1: "lane1.germ.1", 2: "lane1.germ.0"}


def test_a_stroke_moves_only_its_own_run(ledger, second, journey):
    ledger.seed_lanes([Slot("lane1.germ.3", 5, "oak", -DAY, DAY)])
    ledger.record(journey.step("transfer", 5, "lane1.germ.3", "lane1.lift"), [])
    assert ledger.places() == {5: "lane1.lift"}
    assert second.slots() == {}
    ledger.record(journey.step("transfer", 5, "lane1.lift", "lane1.grow.0"), [])
    ledger.record([*journey.stroke("lane1.germ"), *journey.stroke("lane1.grow")], [])
    assert ledger.places() == second.slots() == {5: "lane1.grow.1"}


def test_an_intent_alone_moves_nothing_and_is_named_after_a_restart(path, second, site, journey):
    first = Ledger.open(path, site, at(T0))
    intent, done = journey.step("feed", 1, "stock", "magazine")
    first.record([intent, done], [])
    carried, _ = journey.step("convey", 1, "magazine", "fill")
    first.record([carried], [])
    first.close()
    told = second.rows("SELECT kind, source, dest, intended_ms, done_ms FROM moves_told")
    assert told == [
        ("feed", "stock", "magazine", T0 + 400, T0 + 1000),
        ("convey", "magazine", "fill", T0 + 1400, None),
    ]
    again = Ledger.open(path, site, at(T0 + 60_000))
    assert again.places() == {1: "magazine"}
    assert again.open_moves() == [carried._replace(at=carried.at - 60_000)]
    again.close()


def test_what_was_committed_is_read_through_another_connection_and_no_sooner(
    ledger, second, journey
):
    assert second.one("SELECT count(*) FROM moves") == ledger.durable() == 0
    intent, done = journey.step("feed", 1, "stock", "magazine")
    ledger.record([intent], [])
    assert ledger.durable() == 1
    assert second.one("SELECT count(*) FROM moves WHERE took_ms IS NULL") == 1
    ledger.record([done], [])
    assert ledger.durable() == 2
    assert second.one("SELECT count(*) FROM moves WHERE took_ms = 600") == 1


def test_words_are_counted_anew_in_each_boot_and_numbers_go_on(path, second, site, journey):
    for boot in (1, 2):
        ledger = Ledger.open(path, site, at(T0 + boot * DAY))
        assert (ledger.durable(), ledger.next_move()) == (0, journey.number + 1)
        before = journey.words
        ledger.record(journey.sow(boot), [])
        assert ledger.durable() == journey.words - before
        ledger.close()
    assert second.rows("SELECT boot, min(number), max(number) FROM moves GROUP BY boot") == [
        (1, 1, 10),
        (2, 11, 20),
    ]


def test_a_move_of_an_earlier_boot_may_be_told_as_done_after_it(path, second, site, journey):
    first = Ledger.open(path, site, at(T0))
    intent, done = journey.step("feed", 1, "stock", "magazine")
    first.record([intent], [])
    first.close()
    later = Ledger.open(path, site, at(T0 + DAY))
    later.record([done._replace(at=50)], [])
    later.close()
    told = second.rows("SELECT boot, intended_ms, done_ms FROM moves_told")
    assert told == [(1, T0 + 400, T0 + DAY + 50)]


def test_a_restart_gives_the_lanes_as_they_were_on_the_new_clock(path, second, site, journey):
    first = Ledger.open(path, site, at(T0))
    first.seed_lanes(
        [
            Slot("lane1.grow.7", 11, "oak", -25 * DAY, -DAY),
            Slot("lane1.grow.6", -1, "", 0, 0),
            Slot("lane1.germ.2", 12, "oak", -3 * DAY, 21 * DAY),
        ]
    )
    first.record([*journey.stroke("lane1.germ"), *journey.sow(13)], [])
    before = first.standing()
    first.close()
    again = Ledger.open(path, site, at(T0 + DAY))
    named = [(s.place, s.gutter, s.crop) for s in again.standing()]
    assert named == [(s.place, s.gutter, s.crop) for s in before]
    assert named == [
        ("lane1.germ.0", 13, "oak"),
        ("lane1.germ.3", 12, "oak"),
        ("lane1.grow.6", -1, ""),
        ("lane1.grow.7", 11, "oak"),
    ]
    assert second.slots() == {
        -1: "lane1.grow.6",
        11: "lane1.grow.7",
        12: "lane1.germ.3",
        13: "lane1.germ.0",
    }
    assert [s.ripe_at for s in again.standing() if s.gutter == 11] == [-2 * DAY]
    assert again.next_gutter() == 14
    assert again.next_move() == journey.number + 1
    again.close()


def test_counts_balance_at_every_end(ledger, second, journey):
    ledger.seed_lanes(
        [Slot(f"lane1.grow.{n}", 100 + n, "oak", -25 * DAY, -DAY) for n in range(8)],
    )
    ledger.record(journey.step("eject", 107, "lane1.grow.7", "outfeed"), [])
    ledger.record(journey.step("handover", 107, "outfeed", "packing"), [])
    ledger.record(journey.step("correct", 103, "lane1.grow.3", "removed"), [])
    ledger.record(journey.sow(200), [])
    ledger.record(journey.sow(201)[:-2], [])  # on the carriage still, seeded
    ledger.record(journey.step("feed", 202, "stock", "magazine"), [])
    counts = ledger.counts()
    assert counts == {
        "in_lanes_at_start": 8,
        "fed": 3,
        "seeded": 2,
        "indexed": 1,
        "ejected": 1,
        "handed_over": 1,
        "rejected": 0,
        "removed": 1,
        "removed_from_lanes": 1,
        "in_sower": 2,
        "in_sower_seeded": 1,
        "in_lanes": 7,
    }
    assert ledger.lanes() == [{"lane": 1, "slots": 12, "filled": 7}]
    assert second.one("SELECT count(*) FROM slots") == 7


def test_a_move_that_fails_leaves_nothing_of_its_batch(ledger, second, journey):
    wrong = journey.step("convey", 1, "magazine", "lane1.germ.9")
    with pytest.raises(LedgerBroken, match=r"lane1\.germ\.9"):
        ledger.record([*journey.sow(1), *journey.stroke("lane1.germ"), *wrong], [])
    assert (ledger.places(), ledger.durable()) == ({}, 0)
    assert second.one("SELECT count(*) FROM moves") == 0
    assert second.one("SELECT sum(strokes) FROM places") == 0
    ledger.record(journey.sow(1), [])  # as the run stood before: nothing was kept of its stroke
    assert ledger.places() == second.slots() == {1: "lane1.germ.0"}


def test_a_move_is_not_told_as_done_twice_nor_without_its_intent(ledger, second, journey):
    intent, done = journey.step("feed", 1, "stock", "magazine")
    with pytest.raises(LedgerBroken, match="move 1 is told as done and was not under way"):
        ledger.record([done], [])
    ledger.record([intent, done], [])
    with pytest.raises(LedgerBroken, match="move 1"):
        ledger.record([done], [])
    assert second.rows("SELECT number, took_ms FROM moves") == [(1, 600)]


def test_a_number_is_never_used_for_a_second_move(ledger, second, journey):
    intent, done = journey.step("feed", 1, "stock", "magazine")
    ledger.record([intent, done], [])
    with pytest.raises(LedgerUnreachable, match=r"moves\.number"):
        ledger.record([intent._replace(gutter=2)], [])
    assert second.rows("SELECT number, gutter FROM moves") == [(1, 1)]


def test_lanes_that_hold_gutters_are_not_seeded_a_second_time(ledger, second):
    ledger.seed_lanes([Slot("lane1.grow.7", 11, "oak", 0, 0)])
    with pytest.raises(LedgerBroken, match="was used before"):
        ledger.seed_lanes([Slot("lane1.grow.6", 12, "oak", 0, 0)])
    assert second.slots() == {11: "lane1.grow.7"}


def test_events_carry_ledger_time_and_their_boot_and_stations_chatter_is_left_out(
    path, second, site, events
):
    for started in (T0, T0 + DAY):
        ledger = Ledger.open(path, site, at(started))
        ledger.record([], [*events(2), Event(7, "station", "fill", "dosing", {})])
        ledger.close()
    assert second.rows("SELECT boot, at_ms FROM events ORDER BY id") == [
        (1, T0),
        (1, T0 + 1),
        (2, T0 + DAY),
        (2, T0 + DAY + 1),
    ]


def test_a_gutters_seventy_rows_take_under_one_and_a_half_milliseconds_on_the_bench(
    site, journey, events
):
    ledger = Ledger.open(":memory:", site, at(T0))
    chatter = events(40)
    best = 1.0
    for gutter in range(1, 40):
        rows = [*journey.sow(gutter), *journey.stroke("lane1.germ"), *journey.stroke("lane1.grow")]
        rows += journey.step("eject", gutter, "lane1.germ.1", "outfeed")
        rows += journey.step("handover", gutter, "outfeed", "packing")
        start = time.perf_counter()
        for part in range(0, 28, 2):  # as fourteen scans would hand it over
            ledger.record(rows[part : part + 2], chatter[2 * part : 2 * part + 4])
        best = min(best, time.perf_counter() - start)
    print(f"{len(rows) + len(chatter)} rows: {best * 1000:.2f} ms")
    assert best < 0.0015  # the quickest: what the machine can do when nothing else runs
