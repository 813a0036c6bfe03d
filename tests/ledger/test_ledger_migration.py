"""An older ledger is brought forward whole or not at all, with a copy of it beside."""

from __future__ import annotations

import os
import signal
import sqlite3
import tracemalloc
from collections.abc import Callable
from functools import partial
from pathlib import Path

import pytest

from linectl.errors import LedgerBroken, LedgerUnreachable
from linectl.image import DayLeft, Inside, Slot
from linectl.ledger import Ledger, opening
from linectl.ledger.schema import VERSION
from linectl.ledger.trace import trace
from linectl.ledger.trips import read_trips
from linectl.ledger.verify import verify
from linectl.ledger.yield_reading import read_weighings

T1 = 1_600_000_000_000
T2 = T1 + 3_600_000
T3 = T2 + 3_600_000
SECOND = (Path(__file__).parent / "version2.sql").read_text(encoding="utf-8")
SQL = (Path(__file__).parent / "version1.sql").read_text(encoding="utf-8")
SHAPE = (
    'SELECT m.type, m.name, p.cid, p.name, p.type, p."notnull", p.pk FROM sqlite_master m'
    " LEFT JOIN pragma_table_info(m.name) p WHERE m.name NOT LIKE 'sqlite_%' ORDER BY 1, 2, 3"
)
INDEXES = "SELECT name, sql FROM sqlite_master WHERE type = 'index' AND sql != '' ORDER BY 1"


def write(path: str, sql: str = SQL) -> bytes:
    """A file as the first linectl left it; returns its bytes."""
    connection = sqlite3.connect(path, isolation_level=None)
    connection.execute("PRAGMA journal_mode = WAL")
    connection.executescript(sql)
    connection.close()
    return Path(path).read_bytes()


def dump(path: str) -> list[str]:
    connection = sqlite3.connect(path)
    try:
        return list(connection.iterdump())
    finally:
        connection.close()


@pytest.mark.parametrize("sql", [SQL, SECOND], ids=["version 1", "version 2"])
def test_the_tables_come_out_as_a_new_ledgers(path, second, site, tmp_path, sql):
    write(path, sql)
    Ledger.open(path, site, lambda: T3).close()
    fresh = tmp_path / "fresh.sqlite3"
    Ledger.open(str(fresh), site, lambda: T3).close()
    other = sqlite3.connect(fresh)
    assert second.rows(SHAPE) == other.execute(SHAPE).fetchall()
    assert second.rows(INDEXES) == other.execute(INDEXES).fetchall()
    other.close()
    assert second.one("PRAGMA user_version") == VERSION
    assert second.one("PRAGMA integrity_check") == "ok"
    assert second.rows("PRAGMA foreign_key_check") == []


def test_what_it_said_is_still_said(path, second, site):
    write(path)
    ledger = Ledger.open(path, site, lambda: T3)
    hour = T2 - T3
    assert ledger.standing() == [
        Slot("lane1.germ.1", 1, "oak", 2 * hour + 400, 2 * hour + 490),
        Slot("lane1.grow.3", -1, "", 0, 0),
    ]
    assert ledger.inside() == [Inside(2, "seed", "oak", 2 * hour + 900, 2 * hour + 990)]
    assert [(m.number, m.kind, m.source, m.dest, m.at) for m in ledger.open_moves()] == [
        (12, "convey", "seed", "infeed", hour + 50)
    ]
    assert (ledger.next_move(), ledger.next_gutter()) == (14, 10)
    ledger.close()
    told = second.rows("SELECT * FROM moves_told")
    assert told[:3] == [
        (1, 1, "feed", 1, "stock", "magazine", T1 + 100, T1 + 200),
        (2, 1, "convey", 1, "magazine", "seed", T1 + 200, T1 + 300),
        (3, 1, "reserve", 1, "seed", "lane1.germ.0", T1 + 300, T1 + 300),
    ]
    assert told[6] == (7, 1, "eject", 9, "lane1.grow.7", "outfeed", T1 + 500, T1 + 600)
    assert told[11:] == [
        (12, 2, "convey", 2, "seed", "infeed", T2 + 50, None),
        (13, 2, "correct", -1, "lane1.grow.5", "removed", T2 + 70, T2 + 70),
    ]
    assert second.rows(
        "SELECT id, lot, fed_ms, wet_ms, indexed_ms, ejected_ms, handed_ms, lane FROM gutters"
        " ORDER BY id"
    ) == [
        (-1, None, None, None, None, None, None, 1),
        (1, 1, T1 + 200, None, T1 + 500, None, None, 1),
        (2, 1, T1 + 800, None, None, None, None, None),
        (9, None, None, None, None, T1 + 600, T1 + 700, None),
    ]
    assert second.rows("SELECT kind, name, crop FROM lots") == [("sowing", "2020-09-13-oak", "oak")]
    assert second.rows("SELECT at_ms, text, data FROM events WHERE kind = 'note'") == [
        (T1 + 10, "said", '{"a": 1}')
    ]
    assert [trip.id for trip in read_trips(path, "bench")] == [1]


def test_version_2_says_what_it_said_and_what_people_had_set(path, site):
    write(path, SECOND)
    before = dump(path)
    tables = [line for line in before if line.startswith("INSERT INTO")]
    opening.connect(path).close()
    assert dump(path + ".v2") == before
    assert [line for line in dump(path) if line.startswith("INSERT INTO")] == tables
    ledger = Ledger.open(path, site, lambda: T3)
    start = ledger.start()
    ledger.close()
    assert (start.day, start.crop) == ({1: DayLeft((("oak", 3),), 2)}, "oak")


def test_an_archive_of_version_2_is_still_traced_proved_and_asked_for_yields(path):
    write(path, SECOND)
    before = Path(path).read_bytes()
    assert verify(path).findings.first() is None
    assert read_weighings(path).weighings == ()
    assert trace(path, "1").gutter is not None
    assert Path(path).read_bytes() == before


def test_a_copy_is_kept_beside_it_and_an_earlier_copy_stays(path, site):
    write(path)
    before = dump(path)
    Path(path + ".v1").write_text("a ledger that was here before")
    Ledger.open(path, site, lambda: T3).close()
    assert dump(path + ".v1-2") == before
    assert Path(path + ".v1").read_text() == "a ledger that was here before"
    assert not Path(path + ".v1.partial").exists()


def test_bringing_a_large_ledger_forward_does_not_read_it_into_memory(path, site):
    """Some seasons make a ledger larger than the memory of a small computer."""
    write(path, SECOND)
    connection = sqlite3.connect(path, isolation_level=None)
    note = "INSERT INTO events VALUES (NULL, 1, 0, 'note', '', ?, '')"
    connection.executemany(note, [("x" * 1_000_000,)] * 12)
    connection.close()
    tracemalloc.start()
    Ledger.open(path, site, lambda: T3).close()
    _, most = tracemalloc.get_traced_memory()
    tracemalloc.stop()
    assert os.path.getsize(path + ".v2") > 12_000_000 > 2 * most


def test_a_ledger_begun_before_trips_were_kept_gets_their_table(path, second, site):
    start, end = SQL.index("CREATE TABLE trips"), SQL.index("INSERT INTO meta")
    write(path, "".join(SQL[:start] + SQL[end:]).replace("INSERT INTO trips", "-- "))
    assert read_trips(path, "bench") == []
    Ledger.open(path, site, lambda: T3).close()
    assert second.one("SELECT count(*) FROM trips") == 0


def test_a_record_that_contradicts_itself_is_left_as_it_is(path, site):
    write(
        path,
        SQL.replace(
            "(1, 2, 'convey', 1, 'magazine', 'seed'", "(1, 2, 'convey', 1, 'attic', 'seed'"
        ),
    )
    before = dump(path)
    with pytest.raises(LedgerBroken, match=r"cannot be brought forward.*Nothing was altered"):
        Ledger.open(path, site)
    assert dump(path) == before


def test_a_disk_without_room_for_the_copy_leaves_the_ledger_as_it_is(path, site, monkeypatch):
    write(path)
    before = dump(path)

    def full(descriptor: int) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(os, "fsync", full)
    with pytest.raises(LedgerUnreachable, match="no copy of it could be kept"):
        Ledger.open(path, site)
    assert dump(path) == before


def killed(act: Callable[[], None]) -> bool:
    """Do `act` in a child process; True if it was killed on the way."""
    child = os.fork()
    if child == 0:
        try:
            act()
        finally:
            os._exit(0)
    _, status = os.waitpid(child, 0)
    return os.WIFSIGNALED(status) and os.WTERMSIG(status) == signal.SIGKILL


class Cut:
    """Ends the process with kill -9 at the n-th thing that is done to a disk."""

    def __init__(self, moment: int) -> None:
        self._left = moment

    def pass_by(self, *_: object) -> None:
        self._left -= 1
        if self._left < 0:
            os.kill(os.getpid(), signal.SIGKILL)

    def before(self, function: Callable[..., object]) -> Callable[..., object]:
        def cut(*args: object, **more: object) -> object:
            self.pass_by()
            return function(*args, **more)

        return cut


def bring_forward_until(moment: int, path: str) -> None:
    """In a child: open the ledger, cut off at a statement, a synchronisation or a renaming."""
    cut = Cut(moment)
    connect = sqlite3.connect

    def traced(*args: object, **more: object) -> sqlite3.Connection:
        connection = connect(*args, **more)
        connection.set_trace_callback(cut.pass_by)
        return connection

    sqlite3.connect = traced
    os.fsync, os.replace = cut.before(os.fsync), cut.before(os.replace)
    opening.connect(path)
    cut.pass_by()  # at the latest as soon as it is open


def test_killed_at_any_moment_the_next_opening_brings_it_forward_all_the_same(
    path, second, site, tmp_path
):
    whole = tmp_path / "whole.sqlite3"
    write(str(whole))
    opening.connect(str(whole)).close()
    wanted = dump(str(whole))
    moment = 0
    step = 1 if os.environ.get("LINECTL_CAMPAIGN") == "full" else 7
    while True:
        for left in tmp_path.glob("line.sqlite3*"):
            left.unlink()
        write(path)
        first = dump(path)
        if not killed(partial(bring_forward_until, moment, path)):
            break
        assert dump(path) in (first, wanted)
        opening.connect(path).close()
        assert dump(path) == wanted
        assert dump(path + ".v1") == first
        moment += step
    print(f"killed at {moment // step} moments")
    assert moment > 50  # every statement is one
