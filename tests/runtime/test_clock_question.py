"""Off for a year, says the wall clock: a person is asked, and units wait for the answer."""

from __future__ import annotations

import json
import sqlite3
from pathlib import Path

import pytest

from linectl.image import Command, Event, Frame
from linectl.ledger import Ledger
from linectl.ledger.clock import Clock
from linectl.line import Line
from linectl.line.snapshot import restore, snapshot
from linectl.runtime.starting import begin_line
from linectl.site.load import load_site

SITE = load_site(Path(__file__).parents[2] / "config" / "small")
HOUR, DAY = 3_600_000, 86_400_000
T0 = 1_790_000_000_000


@pytest.fixture
def path(tmp_path):
    """A ledger that was begun a year ago, as the wall clock has it."""
    path = str(tmp_path / "line.sqlite3")
    first = Ledger.open(path, SITE, Clock(lambda: T0, lambda: HOUR, "kernel a"))
    first.record([], [Event(HOUR, "note", "line", "the last row", {})])
    first.close()
    return path


def boot(path, uptime=HOUR, wall=T0 + 365 * DAY):
    return Ledger.open(path, SITE, Clock(lambda: wall, lambda: uptime, "kernel b"))


def told(line, name, argument=""):
    """The outcome of a person's command in a scan of its own."""
    line.scan(Frame(commands=[Command("sowing", name, argument, "anna")]), 1000)
    return next(event for event in line.take_events() if event.kind == "command").data


@pytest.mark.parametrize(
    ("choice", "kind", "counted_ms"),
    [("right", None, 365 * DAY - HOUR), ("wrong", "said_wrong", 0)],
)
def test_the_question_bars_a_start_until_it_is_answered_and_the_next_boot_acts_by_the_answer(
    path, choice, kind, counted_ms
):
    book = boot(path)
    line = begin_line(SITE, book)
    line.scan(Frame(), 0)
    assert "off for 364 days: is that right?" in line.recovery.bars()
    assert "recovery" in line.alarms.standing
    (asked,) = line.recovery_view()["questions"]
    assert [answer["choice"] for answer in asked["answers"]] == ["right", "wrong"]
    assert not told(line, "answer", "clock perhaps")["accepted"]
    line.scan(Frame(commands=[Command("", "answer", f"clock {choice}", "anna")]), 1000)
    events = line.take_events()
    book.record([], events)
    assert line.recovery.bars() is None
    line.scan(Frame(), 1010)
    assert "recovery" not in line.alarms.standing
    book.close()
    rows = sqlite3.connect(f"file:{path}?mode=ro", uri=True)
    (data,) = rows.execute("SELECT data FROM events WHERE kind = 'answer'").fetchone()
    rows.close()
    assert (json.loads(data)["choice"], json.loads(data)["by"]) == (choice, "anna")

    later = boot(path, uptime=2 * HOUR, wall=T0 + 365 * DAY + HOUR)
    assert (later.clock_finding.kind if later.clock_finding else None) == kind
    assert later.started_ms - book.started_ms == pytest.approx(counted_ms + HOUR, abs=5)
    assert begin_line(SITE, later).recovery.bars() is None
    later.close()


def test_the_question_is_kept_by_a_snapshot(path):
    book = boot(path)
    line = begin_line(SITE, book)
    line.scan(Frame(), 0)
    again = Line(SITE)
    restore(again, json.loads(json.dumps(snapshot(line))))
    assert again.recovery.bars() == line.recovery.bars()
    again.scan(Frame(), 10)
    book.close()
