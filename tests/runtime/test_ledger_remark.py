"""What the ledger says of its disk is an alarm of the line, until the disk works again."""

from __future__ import annotations

from pathlib import Path

import pytest

from linectl.line import Line
from linectl.runtime.live import Live
from linectl.site.load import load_site

SITE = load_site(Path(__file__).parents[2] / "config" / "small")
FULL = "ledger line.sqlite3: the disk is full; free space, the record goes on by itself"
BUSY = "ledger line.sqlite3: another program holds it locked; close that program"
SCAN_MS = SITE.file.scan_ms


class Disk:
    """A ledger's writer that says what the test has it say."""

    def __init__(self) -> None:
        self.says: str | None = None

    def put(self, moves, events) -> None: ...

    def durable(self) -> int:
        return 0

    def fault(self) -> str | None:
        return self.says


class Scans:
    """Lets the controller scan so often."""

    def __init__(self, scans: int) -> None:
        self.left = scans

    def is_set(self) -> bool:
        self.left -= 1
        return self.left < 0


@pytest.fixture
def disk():
    return Disk()


@pytest.fixture
def live(disk, no_field):
    line = Line(SITE)
    live = Live(SITE, line, no_field, disk, lambda: live.scans * SCAN_MS)
    return live


def test_a_disk_that_fails_is_an_alarm_with_what_to_do_until_it_works_again(live, disk):
    live.run(Scans(1))
    alarms = live.line.alarms
    assert "ledger.disk" not in alarms.standing
    disk.says = FULL
    live.run(Scans(2))
    alarm = alarms.standing["ledger.disk"]
    assert (alarm.text, alarm.priority) == (FULL, "high")
    assert "then unhold" in alarm.do
    disk.says = BUSY
    live.run(Scans(1))
    assert alarms.standing["ledger.disk"].text == BUSY
    assert alarms.standing["ledger.disk"].since == alarm.since  # the same trouble, in other words
    disk.says = None
    live.run(Scans(1))
    assert "ledger.disk" not in alarms.standing
    assert alarms.returned["ledger.disk"].text == BUSY  # somebody is still to know of it


def test_a_disks_alarm_is_never_put_aside():
    assert Line(SITE).alarms.help_of("ledger.disk").vital
