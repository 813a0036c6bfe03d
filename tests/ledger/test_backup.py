"""A backup is whole or not there, and a restored ledger is the old one or the new one."""

from __future__ import annotations

import os
import shutil
import signal
import sqlite3
import subprocess
import sys
import threading
from pathlib import Path

import pytest

from linectl.errors import LedgerBroken, LedgerUnreachable, UsageError
from linectl.ledger import Ledger
from linectl.ledger.backup import Last, backup, last_of, restore
from linectl.ledger.schema import VERSION
from linectl.ledger.verify import verify

T0 = 1_700_000_000_000


@pytest.fixture
def ledger(path, site, journey):
    """Open, with one gutter sown."""
    opened = Ledger.open(path, site, lambda: T0)
    opened.record(journey.sow(1), [])
    yield opened
    opened.close()


@pytest.fixture
def copy(tmp_path):
    return str(tmp_path / "copy.sqlite3")


def moves_of(path: str) -> int:
    connection = sqlite3.connect(path)
    (count,) = connection.execute("SELECT count(*) FROM moves").fetchone()
    connection.close()
    return count


def test_a_backup_holds_all_that_was_recorded_and_its_checksum_fits(ledger, path, copy):
    made = backup(path, copy)
    assert verify(copy).ok and moves_of(copy) == moves_of(path) == made.last.move == 10
    named = Path(copy + ".sha256").read_text()
    assert named == f"{made.sha256}  copy.sqlite3\n"
    tool = shutil.which("sha256sum")
    if tool:  # the form that other people's tool reads
        checked = subprocess.run(
            [tool, "-c", "copy.sqlite3.sha256"], cwd=Path(copy).parent, capture_output=True
        )
        assert checked.returncode == 0
    assert sorted(p.name for p in Path(copy).parent.glob("copy*")) == [
        "copy.sqlite3",
        "copy.sqlite3.sha256",
    ]


def test_a_backup_is_taken_while_the_controller_writes(ledger, path, copy, journey, monkeypatch):
    monkeypatch.setattr("linectl.ledger.backup.PAGES_A_STEP", 1)
    told, stop = [], threading.Event()

    def write():
        gutter = 2
        while not stop.is_set():
            # The lane's moves alone: a gutter fed, and taken off again.
            ledger.record(journey.step("feed", gutter, "stock", "magazine"), [])
            ledger.record(journey.step("correct", gutter, "magazine", "removed"), [])
            gutter += 1

    connection = ledger._connection
    assert connection.execute("PRAGMA journal_mode").fetchone() == ("wal",)
    writer = threading.Thread(target=write)
    writer.start()
    try:
        made = backup(path, copy, lambda what, done, total: told.append((done, total)))
    finally:
        stop.set()
        writer.join()
    assert told[-1][0] == told[-1][1]
    assert verify(copy).ok
    assert 10 <= made.last.move < moves_of(path)
    assert len(told) > 10


def test_nothing_is_written_over_and_a_folder_gets_a_dated_name(ledger, path, tmp_path):
    with pytest.raises(UsageError, match="is there already"):
        backup(path, path)
    folder = tmp_path / "stick"
    folder.mkdir()
    first, second = backup(path, str(folder)), backup(path, str(folder))
    assert first.backup != second.backup
    assert Path(first.backup).name.startswith("line-20")


def test_a_restored_ledger_says_what_it_lacks_and_keeps_the_one_before(
    ledger, path, copy, journey, site
):
    backup(path, copy)
    ledger.record(journey.stroke("lane1.germ"), [])
    ledger.close()
    done = restore(copy, path)
    assert done.last == Last(10, T0 + 10_000 - 600)
    assert done.lost == Last(11, T0 + 11_000 - 600)
    assert moves_of(path) == 10 and moves_of(done.kept) == 11
    assert verify(path).ok and verify(done.kept).ok
    again = Ledger.open(path, site, lambda: T0 + 60_000)
    assert again.places() == {1: "lane1.germ.0"}
    again.close()
    assert restore(copy, path).kept != done.kept


def test_a_restore_is_refused_while_a_controller_holds_the_ledger(ledger, path, copy):
    backup(path, copy)
    with pytest.raises(LedgerUnreachable, match="a controller"):
        restore(copy, path)
    assert moves_of(path) == 10


def test_a_damaged_backup_is_refused_and_the_ledger_left_alone(ledger, path, copy):
    backup(path, copy)
    ledger.close()
    before = Path(path).read_bytes()
    spoilt = bytearray(Path(copy).read_bytes())
    spoilt[5000] ^= 1
    Path(copy).write_bytes(spoilt)
    with pytest.raises(LedgerBroken, match="not the file that"):
        restore(copy, path)
    Path(copy + ".sha256").unlink()
    with pytest.raises(LedgerUnreachable, match="bring both"):
        restore(copy, path)
    assert Path(path).read_bytes() == before


def test_a_backup_of_a_newer_linectl_is_refused(ledger, path, copy):
    ledger.close()
    newer = sqlite3.connect(path)
    newer.execute(f"PRAGMA user_version = {VERSION + 1}")
    newer.close()
    with pytest.raises(LedgerUnreachable, match="newer linectl"):
        backup(path, copy)


def test_a_damaged_ledger_is_replaced_and_kept(ledger, path, copy):
    backup(path, copy)
    ledger.close()
    Path(path).write_bytes(b"nothing of a ledger is left here" * 500)
    done = restore(copy, path)
    assert done.lost is None and verify(path).ok
    assert Path(done.kept).read_bytes().startswith(b"nothing of a ledger")


def test_a_ledger_is_restored_where_none_is(ledger, path, copy, tmp_path):
    backup(path, copy)
    place = str(tmp_path / "new.sqlite3")
    done = restore(copy, place)
    assert (done.lost, done.kept) == (None, None) and moves_of(place) == 10


def killed_at(count: int, act) -> bool:
    """Run `act` in a process that is killed at its count-th act on a file; True if it ended."""
    child = os.fork()
    if not child:
        left = count

        def watch(event, arguments):
            nonlocal left
            if event in ("open", "os.rename", "os.link", "os.remove", "sqlite3.connect"):
                left -= 1
                if left == 0:
                    os.kill(os.getpid(), signal.SIGKILL)

        try:
            sys.addaudithook(watch)
            act()
        finally:
            os._exit(0)
    _, status = os.waitpid(child, 0)
    return not os.WIFSIGNALED(status)


def test_a_kill_anywhere_in_a_restore_leaves_the_old_or_the_new(
    ledger, path, copy, journey, tmp_path
):
    backup(path, copy)
    ledger.record(journey.stroke("lane1.germ"), [])
    ledger.close()
    seen = set()
    for count in range(1, 200):
        target = tmp_path / f"at{count}" / "line.sqlite3"
        target.parent.mkdir()
        shutil.copy(path, target)
        ended = killed_at(count, lambda target=target: restore(copy, str(target)))
        assert verify(str(target)).ok, count
        seen.add(moves_of(str(target)))
        if ended:
            break
        restore(copy, str(target))  # and once more, to its end
        assert moves_of(str(target)) == 10
    assert ended and seen == {10, 11}


def test_a_kill_anywhere_in_a_backup_leaves_a_whole_one_or_none(ledger, path, tmp_path):
    ledger.close()
    seen = set()
    for count in range(1, 200):
        target = tmp_path / f"at{count}" / "copy.sqlite3"
        target.parent.mkdir()
        ended = killed_at(count, lambda target=target: backup(path, str(target)))
        seen.add(target.exists())
        if target.exists():
            restore(str(target), str(target.parent / "line.sqlite3"))
        if ended:
            break
        if not target.exists():
            backup(path, str(target))  # what was left is no hindrance
    assert ended and seen == {True, False}
    assert last_of(path).move == 10


def test_the_commands_say_where_the_copy_is_and_what_the_record_lacks(
    ledger, path, copy, journey, linectl
):
    said = linectl("ledger", "backup", path, copy, "--json")
    assert said.code == 0 and said.json["last"]["move"] == 10
    ledger.record(journey.stroke("lane1.germ"), [])
    held = linectl("ledger", "restore", copy, path)
    assert held.code == 3 and "a controller" in held.err
    ledger.close()
    done = linectl("ledger", "restore", copy, path)
    assert done.code == 0 and "the last 1 move" in done.out and "before-restore" in done.out
    assert linectl("ledger", "backup", path, copy).code == 2
