"""What a person says of lots and weights is not dropped with the chatter when the disk is slow."""

from __future__ import annotations

import threading

import pytest

from linectl.image import Event
from linectl.ledger import Ledger, LedgerWriter
from linectl.ledger import writer as writer_module


@pytest.fixture
def ledger(path, site):
    opened = Ledger.open(path, site, lambda: 1_700_000_000_000)
    yield opened
    opened.close()


class HeldDisk:
    """A real ledger whose disk stands still until the test lets it go on."""

    def __init__(self, ledger):
        self.path = ledger.path
        self.go = threading.Event()
        self._ledger = ledger

    def record(self, moves, events):
        assert self.go.wait(10)
        self._ledger.record(moves, events)


def test_beyond_the_limit_chatter_is_dropped_and_a_persons_word_is_not(
    monkeypatch, ledger, second, journey, events
):
    monkeypatch.setattr(writer_module, "EVENTS_MAX", 5)
    lot = {"kind": "seed", "lot": "S-1", "crop": "oak", "by": "anna"}
    weight = {"lot": "P-1", "kg": 2.0, "crop": "", "by": "ben"}
    disk = HeldDisk(ledger)
    writer = LedgerWriter(disk)
    writer.put([], events(5))
    writer.put([], [*events(2), Event(1, "lot", "seed", "", lot), *events(2)])
    writer.put([], [Event(2, "weight", "P-1", "", weight)])
    assert writer.lost_events == 4
    writer.put(journey.sow(1), [])
    disk.go.set()
    assert writer.close()
    assert second.one("SELECT l.name FROM gutters g JOIN lots l ON l.id = g.seed_lot") == "S-1"
    assert second.one("SELECT kg FROM weights") == 2.0
