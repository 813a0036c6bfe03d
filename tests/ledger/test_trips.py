"""Kept trips in the ledger's file: limited in number, and in ledgers begun without their table."""

from __future__ import annotations

import pytest

from linectl.errors import LedgerUnreachable, UsageError
from linectl.ledger import Ledger
from linectl.ledger.trips import TRIPS_KEPT, TripRow, read_trip, read_trips


def row(number: int, **told) -> TripRow:
    return TripRow(number, 1_000 * number, {"number": number, **told}, None, False)


def test_the_newest_trips_are_kept_and_their_numbers_go_on(tmp_path, site):
    path = str(tmp_path / "line.sqlite3")
    ledger = Ledger.open(path, site)
    for number in range(1, TRIPS_KEPT + 6):
        ledger.keep_trip(row(number))
    kept = read_trips(path, "bench")
    assert [trip.id for trip in kept] == list(range(TRIPS_KEPT + 5, 5, -1))
    assert kept[0].told["number"] == TRIPS_KEPT + 5
    ledger.close()


def test_two_boots_may_have_a_trip_of_the_same_number(tmp_path, site):
    path = str(tmp_path / "line.sqlite3")
    for _ in range(2):
        ledger = Ledger.open(path, site)
        ledger.keep_trip(row(1))
        ledger.close()
    assert [(trip.id, trip.boot) for trip in read_trips(path, "bench")] == [(2, 2), (1, 1)]


def test_a_trip_that_is_not_there_is_asked_for_by_name(tmp_path, site):
    path = str(tmp_path / "line.sqlite3")
    Ledger.open(path, site).close()
    with pytest.raises(UsageError, match="no trip 7"):
        read_trip(path, "bench", 7)


def test_a_ledger_that_is_not_there_or_anothers_is_refused(tmp_path, site):
    with pytest.raises(LedgerUnreachable, match="cannot be opened"):
        read_trips(str(tmp_path / "none.sqlite3"), "bench")
    assert not (tmp_path / "none.sqlite3").exists()
    path = str(tmp_path / "line.sqlite3")
    Ledger.open(path, site).close()
    with pytest.raises(LedgerUnreachable, match="belongs to site bench"):
        read_trips(path, "south")
