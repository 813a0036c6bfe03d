"""The scan never waits on the disk, and is told only of what the disk has."""

from __future__ import annotations

import threading

import pytest

from linectl.errors import LedgerUnreachable
from linectl.image import Event
from linectl.ledger import Ledger, LedgerWriter
from linectl.ledger import writer as writer_module


class SlowDisk:
    """A ledger whose disk stands still until the test lets it go on, or fails by order."""

    path = "slow"

    def __init__(self):
        self.go = threading.Event()
        self.entered = threading.Event()
        self.failing = False
        self.rows = []
        self.trips = []
        self._durable = 0

    def durable(self):
        return self._durable

    def record(self, moves, events):
        self.entered.set()
        assert self.go.wait(10)
        if self.failing:
            raise LedgerUnreachable("ledger slow: the disk is full")
        self.rows.append((list(moves), list(events)))
        self._durable += len(moves)

    def keep_trip(self, row):
        self.entered.set()
        assert self.go.wait(10)
        if self.failing:
            raise LedgerUnreachable("ledger slow: the disk is full")
        self.trips.append(row)


@pytest.fixture
def disk():
    return SlowDisk()


def test_what_was_put_is_acknowledged_only_once_the_disk_has_it(disk, journey):
    writer = LedgerWriter(disk)
    writer.put(journey.sow(1), [])  # returns though the disk stands still
    assert disk.entered.wait(10)
    assert writer.durable() == 0
    disk.go.set()
    assert writer.close()
    assert writer.durable() == journey.words


def test_rows_that_came_while_the_disk_was_busy_go_in_one_transaction(disk, journey):
    writer = LedgerWriter(disk)
    writer.put(journey.sow(1), [])
    assert disk.entered.wait(10)
    for gutter in range(2, 30):
        writer.put(journey.sow(gutter), [])
    disk.go.set()
    assert writer.close()
    assert [len(moves) for moves, _ in disk.rows] == [20, 560]


def test_a_failing_disk_is_tried_again_and_the_fault_says_why(disk, journey):
    disk.failing = True
    disk.go.set()
    writer = LedgerWriter(disk, retry_s=0.001)
    writer.put(journey.sow(1), [])
    while writer.fault() is None:
        assert disk.entered.wait(10)
    assert writer.fault() == "ledger slow: the disk is full"
    assert writer.durable() == 0
    disk.failing = False
    assert writer.close()
    assert (writer.durable(), writer.fault()) == (journey.words, None)


def test_beyond_the_limit_events_are_dropped_and_counted_but_no_move(
    disk, journey, events, monkeypatch
):
    monkeypatch.setattr(writer_module, "EVENTS_MAX", 10)
    writer = LedgerWriter(disk)
    writer.put([], events(8))
    writer.put(journey.sow(1), events(8))
    disk.go.set()
    assert writer.close()
    assert writer.lost_events == 8
    assert sum(len(some) for _, some in disk.rows) == 8
    assert writer.durable() == journey.words


def test_the_record_says_where_events_are_left_out_and_what_people_set_never_is(
    disk, journey, events, monkeypatch
):
    monkeypatch.setattr(writer_module, "EVENTS_MAX", 10)
    set_by_people = Event(3, "lane_set", "lane1", "", {"programme": "resting", "locked_by": ""})
    writer = LedgerWriter(disk)
    writer.put([], events(10))
    assert disk.entered.wait(10)
    writer.put([], [*events(4), set_by_people])
    disk.go.set()
    while writer._queue or len(disk.rows) < 2:
        disk.entered.wait(0.001)
    writer.put([], events(1))
    assert writer.close()
    told = [event for _, some in disk.rows for event in some][10:]
    assert [event.kind for event in told] == ["lane_set", "note", "note"]
    assert told[1].text == "4 events are left out here: the disk took nothing for too long"
    assert told[1].data == {"lost": 4}


def test_beyond_the_limit_of_moves_nothing_later_is_ever_acknowledged(disk, journey, monkeypatch):
    monkeypatch.setattr(writer_module, "MOVES_MAX", 45)
    writer = LedgerWriter(disk)
    for gutter in (1, 2, 3):
        writer.put(journey.sow(gutter), [])
    assert "recording has ended" in writer.fault()
    disk.go.set()
    writer.close()
    writer.put(journey.sow(4), [])
    assert writer.durable() == 40


def test_a_real_ledger_behind_the_thread_gives_back_what_was_put(
    path, second, site, journey, events
):
    ledger = Ledger.open(path, site)
    writer = LedgerWriter(ledger)
    writer.put(journey.sow(1), events(5))
    assert writer.close()
    assert writer.durable() == journey.words
    ledger.close()
    assert second.slots() == {1: "lane1.germ.0"}
    assert second.one("SELECT count(*) FROM events") == 5
    again = Ledger.open(path, site)
    assert again.places() == {1: "lane1.germ.0"}
    again.close()


def test_a_trip_is_handed_over_without_waiting_and_written_when_the_disk_can(disk, journey):
    writer = LedgerWriter(disk, retry_s=0.001)
    disk.failing = True
    disk.go.set()
    writer.keep_trip("a trip")
    assert disk.entered.wait(10)
    disk.failing = False
    writer.put(journey.sow(1), [])
    assert writer.close()
    assert disk.trips == ["a trip"] and writer.durable() == journey.words


def test_trips_that_a_standing_disk_cannot_take_are_left_out_and_counted(disk, monkeypatch):
    monkeypatch.setattr(writer_module, "TRIPS_MAX", 3)
    writer = LedgerWriter(disk)
    for number in range(5):
        writer.keep_trip(number)
    assert writer.lost_trips == 2
    disk.go.set()
    assert writer.close()
    assert disk.trips == [0, 1, 2]
