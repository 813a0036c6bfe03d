"""Order and ages in the ledger over several boots, whatever is done to the wall clock between.

The clocks are injected: Linux has no wall clock for one process alone (a time namespace shifts the
monotonic and the boot-time clock only, time_namespaces(7)).
"""

from __future__ import annotations

import itertools
import sqlite3

import pytest

from linectl.errors import LedgerUnreachable
from linectl.image import Event
from linectl.ledger import Ledger
from linectl.ledger.clock import NEVER_SET_MS, Clock

MINUTE, HOUR, DAY = 60_000, 3_600_000, 86_400_000
SLOTS = 4  # of the run at the mouth
T0 = 1_790_000_000_000  # 2026-09-21 14:13:20 UTC


class Computer:
    """A computer in true time, with a wall clock that can be set."""

    def __init__(self):
        self.true = T0
        self.error = 0
        self.kernel = 1
        self.kernel_since = T0 - MINUTE

    @property
    def clock(self):
        return Clock(
            lambda: self.true + self.error,
            lambda: self.true - self.kernel_since,
            f"kernel {self.kernel}",
            NEVER_SET_MS,
        )

    def power_cut(self, off=0):
        self.true += off
        self.kernel += 1
        self.kernel_since = self.true - MINUTE // 2


def cut(ledger):
    """What a power cut does to it: no end is written."""
    ledger._connection.close()
    ledger._owner.close()


class Days:
    """A ledger through boots, each ended as a power cut ends it; the first four sow a gutter."""

    def __init__(self, path, site, journey):
        self.computer = Computer()
        self.path, self.site, self.journey = path, site, journey
        self.sown = {}
        """True time at which each gutter was sown."""

    def boot(self, runs=HOUR, answer=None):
        """One boot; its ledger, let go as a power cut lets it go."""
        ledger = Ledger.open(self.path, self.site, self.computer.clock)
        ledger.record([], [Event(0, "unit", "sowing", "Execute", {})])
        if len(self.sown) < SLOTS:
            self.sow(ledger, len(self.sown) + 1)
        if answer:
            data = {"choice": answer, "by": "anna"}
            ledger.record([], [Event(runs - 1, "answer", "clock", answer, data)])
        ledger.record([], [Event(runs, "unit", "sowing", "Held", {})])
        self.computer.true += runs
        cut(ledger)
        return ledger

    def sow(self, ledger, gutter):
        self.journey.at = 0
        strokes = self.journey.stroke("lane1.germ") if gutter > 1 else []
        moves = [*strokes, *self.journey.sow(gutter)]
        ledger.record(moves, [])
        at = next(move.at for move in moves if move.done and move.source == "seed")
        self.sown[gutter] = self.computer.true + at

    def ages(self):
        """Age of each gutter in the lane by the ledger, and truly, when the next boot begins."""
        self.computer.true += 1
        ledger = Ledger.open(self.path, self.site, self.computer.clock)
        by_ledger = {slot.gutter: -slot.sown_at for slot in ledger.standing()}
        cut(ledger)
        return by_ledger, {gutter: self.computer.true - at for gutter, at in self.sown.items()}


@pytest.fixture
def days(tmp_path, site, journey):
    return Days(str(tmp_path / "line.sqlite3"), site, journey)


def read_again(path, sql, *values):
    """Through a connection of our own."""
    rows = sqlite3.connect(f"file:{path}?mode=ro", uri=True)
    try:
        return rows.execute(sql, values).fetchall()
    finally:
        rows.close()


def assert_in_order(path):
    """Every time of the record, in the order in which it was written, boot after boot."""
    times = read_again(
        path,
        "SELECT id, started_ms, 0 FROM boots UNION ALL SELECT boot, at_ms, 1 FROM events"
        " UNION ALL SELECT boot, intended_ms, 1 FROM moves"
        " UNION ALL SELECT boot, intended_ms + took_ms, 1 FROM moves ORDER BY 1, 3, 2",
    )
    by_boot = [[row[1] for row in rows] for _, rows in itertools.groupby(times, lambda r: r[0])]
    for rows in by_boot:
        assert rows[0] == min(rows)
    for before, after in itertools.pairwise(by_boot):
        assert max(before) < min(after)


SETTINGS = {"not at all": 0, "back a day": -DAY, "forward a year": 365 * DAY, "back 900 ms": -900}


@pytest.mark.parametrize("set_by", SETTINGS.values(), ids=SETTINGS)
def test_order_and_ages_are_true_in_one_run_of_the_kernel_whatever_is_set(days, set_by):
    for off in (0, 10 * MINUTE, 20 * DAY):
        ledger = days.boot()
        assert ledger.clock_finding is None
        days.computer.error += set_by
        days.computer.true += off + 1
    by_ledger, truly = days.ages()
    assert by_ledger == truly
    assert len(truly) == 3
    assert_in_order(days.path)


@pytest.mark.parametrize("set_by", SETTINGS.values(), ids=SETTINGS)
def test_order_is_right_over_power_cuts_too_and_no_age_grows_by_what_was_set(days, set_by):
    for off in (MINUTE, 2 * HOUR, 6 * DAY):
        days.boot()
        days.computer.error += set_by
        days.computer.power_cut(off)
    assert_in_order(days.path)
    by_ledger, truly = days.ages()
    for gutter, age in by_ledger.items():
        assert age <= truly[gutter]
    if set_by == 0:
        assert by_ledger == truly


def test_a_clock_set_back_is_told_counts_no_time_off_and_ends_when_it_is_put_right(days):
    days.boot()
    days.computer.error = -DAY
    days.computer.power_cut(off=2 * HOUR)
    behind = days.boot()
    assert (behind.clock_finding.kind, behind.clock_finding.asks) == ("behind", False)
    assert behind.started_ms == T0 + HOUR + 1
    days.computer.error = 0
    again = days.boot()
    assert again.clock_finding is None
    assert again.started_ms == T0 + 4 * HOUR  # true time, the two hours off included
    by_ledger, truly = days.ages()
    assert (by_ledger[1], by_ledger[3]) == (truly[1], truly[3])
    assert read_again(days.path, "SELECT wall_ms - started_ms FROM boots") == [
        (0,), (HOUR * 2 - DAY - 1,), (0,), (0,),
    ]  # fmt: skip
    assert_in_order(days.path)


def test_a_year_forward_is_a_question_and_right_counts_the_year(days):
    days.boot()
    days.computer.power_cut(off=365 * DAY)
    asked = days.boot()
    assert asked.clock_finding.asks
    assert asked.started_ms == T0 + HOUR + 1
    assert days.boot().clock_finding.asks  # nobody has answered
    assert days.boot(answer="right").clock_finding.asks
    answered = days.boot()
    assert answered.clock_finding is None
    assert answered.started_ms == T0 + 365 * DAY + 4 * HOUR
    by_ledger, truly = days.ages()
    assert by_ledger[1] == truly[1]
    assert_in_order(days.path)


def test_wrong_keeps_ages_asks_no_more_and_asks_anew_after_the_next_jump(days):
    days.boot()
    days.computer.error = 365 * DAY
    days.computer.power_cut(off=HOUR)
    assert days.boot(answer="wrong").clock_finding.kind == "ahead"
    for _ in range(2):
        assert days.boot().clock_finding.kind == "said_wrong"
    days.computer.error = 800 * DAY
    assert days.boot().clock_finding.kind == "ahead"
    assert days.boot().clock_finding.kind == "ahead"  # the old answer is to the old question
    days.computer.error = 0
    assert days.boot().clock_finding is None
    by_ledger, truly = days.ages()
    assert by_ledger[1] == truly[1]
    assert read_again(days.path, "SELECT * FROM meta WHERE key = 'clock'") == []
    assert_in_order(days.path)


def test_an_end_in_order_is_recorded_in_ledger_time_though_the_clock_was_set_meanwhile(days):
    computer = days.computer
    ledger = Ledger.open(days.path, days.site, computer.clock)
    computer.true += HOUR
    computer.error = -DAY
    assert ledger.now_ms() == T0 + HOUR
    ledger.close()
    assert read_again(days.path, "SELECT ended_ms FROM boots") == [(T0 + HOUR,)]


def test_the_end_of_a_rehearsal_is_after_its_last_row(days):
    ledger = Ledger.open(days.path, days.site, days.computer.clock)
    ledger.record([], [Event(2 * HOUR, "unit", "sowing", "Held", {})])
    ledger.close()
    assert read_again(days.path, "SELECT ended_ms FROM boots") == [(T0 + 2 * HOUR,)]


def test_a_new_ledger_is_not_begun_with_a_clock_that_nobody_has_set(days):
    days.computer.error = -T0
    with pytest.raises(LedgerUnreachable, match=r"1970-01-01 00:00 UTC.*never set"):
        Ledger.open(days.path, days.site, days.computer.clock)
    assert read_again(days.path, "SELECT count(*) FROM boots") == [(0,)]
    days.computer.error = 0
    days.boot()
    days.computer.error = -days.computer.true
    days.computer.power_cut()
    assert days.boot().clock_finding.kind == "behind"  # what has begun goes on


def test_a_move_done_long_after_it_was_intended_is_not_overtaken_by_the_next_boot(days, journey):
    computer = days.computer
    ledger = Ledger.open(days.path, days.site, computer.clock)
    intent, done = journey.step("feed", 1, "stock", "magazine")
    ledger.record([intent], [])
    ledger.record(journey.stroke("lane1.germ"), [])
    ledger.record([done._replace(at=3 * HOUR)], [])
    cut(ledger)
    computer.error = -2 * HOUR
    computer.power_cut(off=HOUR)
    assert days.boot().started_ms == T0 + 3 * HOUR + 1


def test_two_boots_of_this_very_computer_are_as_far_apart_as_its_kernel_says(tmp_path, site):
    path = str(tmp_path / "line.sqlite3")
    for _ in range(2):
        Ledger.open(path, site).close()
    first, second = read_again(path, "SELECT started_ms, uptime_ms, machine FROM boots")
    assert second[0] - first[0] in (second[1] - first[1], second[1] - first[1] + 1)
    assert first[2] == second[2] != ""
