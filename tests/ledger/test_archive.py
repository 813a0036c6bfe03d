"""Old moves go to an archive; ledger and archive each verify, and nothing is lost in between."""

from __future__ import annotations

import os
import shutil
import signal
import sqlite3
import sys
import threading
from pathlib import Path

import pytest
from long_history import History
from random_walk import Walk

from linectl.errors import LedgerBroken, UsageError
from linectl.image import Event, Move
from linectl.ledger import Ledger
from linectl.ledger import archive as archiving
from linectl.ledger.archive import archive
from linectl.ledger.keeping import check_mark
from linectl.ledger.verify import verify
from linectl.site.load import load_site

HOUR = 3_600_000
FENNMARK = Path(__file__).parents[2] / "config" / "fennmark"


@pytest.fixture(autouse=True)
def no_rests(monkeypatch):
    monkeypatch.setattr(archiving, "REST", 0)
    monkeypatch.setattr(archiving, "REST_MIN_S", 0)


@pytest.fixture(scope="module")
def day(tmp_path_factory):
    """6,000 moves of a line of six short lanes: some five hours."""
    path = tmp_path_factory.mktemp("day") / "line.sqlite3"
    History(path, short_lanes()).write(6000)
    return path


def short_lanes():
    site = load_site(FENNMARK)
    lanes = [
        lane.model_copy(
            update={"runs": tuple(run.model_copy(update={"slots": 9}) for run in lane.runs)}
        )
        for lane in site.file.lanes
    ]
    return site.model_copy(update={"file": site.file.model_copy(update={"lanes": tuple(lanes)})})


@pytest.fixture
def line(day, tmp_path):
    path = tmp_path / "line.sqlite3"
    shutil.copy(day, path)
    (tmp_path / "old").mkdir()
    return path


def rows(path, table="moves", columns="*") -> list[tuple]:
    connection = sqlite3.connect(path)
    found = connection.execute(f"SELECT {columns} FROM {table} ORDER BY 1").fetchall()
    connection.close()
    return found


def faults(path) -> list[str]:
    return [f"{f.table} {f.row}: {f.text}" for f in verify(str(path)).findings.kept]


def test_ledger_and_archive_have_every_move_between_them_and_both_verify(line, tmp_path):
    before, events = rows(line), rows(line, "events")
    done = archive(str(line), 2 * HOUR, str(tmp_path / "old"))
    assert faults(line) == faults(done.archive) == []
    old, kept = rows(done.archive), rows(line)
    assert 0 < len(kept) < len(before) / 2
    told = {row[0]: row for row in old} | {row[0]: row for row in kept}
    assert [told[number] for number in sorted(told)] == before
    under_way = [row for row in kept if row[0] < done.last_move + 1]
    assert under_way, "a move was under way at the cut, as on a line that runs"
    assert [row[:-1] for row in old if row[-1] is None] == [row[:-1] for row in under_way]
    assert rows(done.archive, "events") + rows(line, "events") == events
    assert check_mark(Path(done.archive)) == done.sha256
    assert done.bytes_after == line.stat().st_size < done.bytes_before * 0.75


def test_gutters_and_lots_stay_whole(line, tmp_path):
    before = rows(line, "gutters"), rows(line, "lots"), rows(line, "places")
    archive(str(line), 2 * HOUR, str(tmp_path / "old"))
    assert (rows(line, "gutters"), rows(line, "lots"), rows(line, "places")) == before


def test_archives_follow_on_and_the_line_goes_on_between(path, site, tmp_path):
    (tmp_path / "old").mkdir()
    walk, parts = Walk(path, site, 5), []
    for _ in range(3):
        walk.go(150)
        done = archive(path, 20_000, str(tmp_path / "old"))
        assert done.archive is not None
        parts.append(done)
        assert faults(path) == faults(done.archive) == []
        walk.resume()
    walk.go(50)
    assert faults(path) == []
    assert [p.first_move for p in parts] == [1, *(p.last_move + 1 for p in parts[:-1])]


def test_a_restart_is_told_the_same_after_an_archive(path, site, tmp_path):
    (tmp_path / "old").mkdir()
    walk = Walk(path, site, 3, full=True)
    walk.go(200)
    shutil.copy(path, tmp_path / "whole.sqlite3")
    assert archive(path, 1, str(tmp_path / "old")).moves_taken > 20

    def start(file):
        ledger = Ledger.open(str(file), site, lambda: walk.now + HOUR)
        told = ledger.read_start({"oak"})
        ledger.close()
        return told

    assert start(path) == start(tmp_path / "whole.sqlite3")


class Listed(Walk):
    """A walk in which each move counts today's list down."""

    def _intend(self, act):
        move = super()._intend(act)
        left = {"stands": True, "sow": [["oak", 9_000 - move.number]], "pull": 0}
        event = Event(self.now - self.began, "day_list", "lane1", "", left)
        self.ledger.record([], [event])
        return move


def test_of_what_is_counted_gutter_by_gutter_only_the_last_word_stays(path, site, tmp_path):
    (tmp_path / "old").mkdir()
    walk = Listed(path, site, 3, full=True)
    for _ in range(2):
        walk.go(100)
        before = rows(path, "events")
        ledger = Ledger.open(path, site, lambda: walk.now + HOUR)
        told = ledger.read_start({"oak"}).day
        ledger.close()
        done = archive(path, 10_000, str(tmp_path / "old"))
        assert done.archive is not None and faults(path) == faults(done.archive) == []
        old, kept = rows(done.archive, "events"), rows(path, "events")
        assert sorted(old + kept) == before
        young = [row for row in kept if row[3] == "day_list" and row[0] > max(o[0] for o in old)]
        stays = [row for row in kept if row[3] == "day_list" and row not in young]
        assert len(stays) <= 1 < len([row for row in old if row[3] == "day_list"])
        walk.resume()
        assert walk.ledger.read_start({"oak"}).day == told != {}
    walk.ledger.close()


def test_nothing_old_enough_is_said_and_nothing_altered(line, tmp_path):
    before = rows(line)
    done = archive(str(line), 1000 * HOUR, str(tmp_path / "old"))
    assert done.archive is None and rows(line) == before
    assert list((tmp_path / "old").iterdir()) == []
    with pytest.raises(UsageError, match="no such folder"):
        archive(str(line), HOUR, str(tmp_path / "none"))


def test_what_breaks_a_rule_is_not_archived(line, tmp_path):
    db = sqlite3.connect(line)
    db.execute("DELETE FROM moves WHERE number = 500")
    db.commit()
    db.close()
    before = rows(line)
    with pytest.raises(LedgerBroken, match="move 500 is missing"):
        archive(str(line), 2 * HOUR, str(tmp_path / "old"))
    assert rows(line) == before


def test_a_deletion_in_what_is_kept_is_found_after_an_archive_too(line, tmp_path):
    done = archive(str(line), 2 * HOUR, str(tmp_path / "old"))
    for table, key, row in (("moves", "number", done.last_move + 1), ("gutters", "id", 1)):
        copy = tmp_path / "spoilt.sqlite3"
        shutil.copy(line, copy)
        db = sqlite3.connect(copy)
        db.execute(f"DELETE FROM {table} WHERE {key} = ?", (row,))
        db.commit()
        db.close()
        assert not verify(str(copy)).ok, table


def test_a_move_that_came_back_before_the_cut_is_found(line, tmp_path):
    done = archive(str(line), 2 * HOUR, str(tmp_path / "old"))
    db = sqlite3.connect(line)
    row = rows(done.archive)[3]
    db.execute(f"INSERT INTO moves VALUES ({', '.join('?' * len(row))})", row)
    db.commit()
    db.close()
    assert verify(str(line)).first.rule.name == "checkpoint"


def test_the_controller_records_meanwhile(line, tmp_path):
    number = rows(line)[-1][0]
    (last_ms,) = rows(line, "boots", "max(ended_ms)")[0]
    ledger = Ledger.open(str(line), short_lanes(), lambda: last_ms + 1000)
    stop, told = threading.Event(), []

    def control():
        while not stop.is_set():
            told.append(len(told) + 1)
            move = Move(number + len(told), "stroke", -1, "lane1.germ", "lane1.germ", "", False, 9)
            ledger.record([move], [])  # intended; never done
            stop.wait(0.002)

    controller = threading.Thread(target=control)
    controller.start()
    try:
        done = archive(str(line), 2 * HOUR, str(tmp_path / "old"))
    finally:
        stop.set()
        controller.join()
        ledger.close()
    assert told and rows(line)[-1][0] == number + len(told)
    assert faults(line) == faults(done.archive) == []


def killed_at(count: int, act) -> bool:
    """Run `act` in a process killed at its count-th act on a file or step; True if it ended."""
    child = os.fork()
    if not child:
        left = [count]

        def watch(event="", arguments=()):
            if event in ("", "open", "os.rename", "sqlite3.connect"):
                left[0] -= 1
                if left[0] == 0:
                    os.kill(os.getpid(), signal.SIGKILL)

        try:
            sys.addaudithook(watch)
            act(lambda what, done, total: watch())
        finally:
            os._exit(0)
    _, status = os.waitpid(child, 0)
    return not os.WIFSIGNALED(status)


def test_killed_anywhere_it_loses_nothing_and_is_run_again(path, site, tmp_path, monkeypatch):
    monkeypatch.setattr(archiving, "ROWS_A_STEP", 20)
    Walk(path, site, 2).go(250)
    before, seen = rows(path), set()
    for count in range(1, 400, 2):
        place = tmp_path / f"at{count}"
        ledger, old = place / "line.sqlite3", place / "old"
        old.mkdir(parents=True)
        shutil.copy(path, ledger)
        ended = killed_at(
            count, lambda tell, a=str(ledger), b=str(old): archive(a, 20_000, b, tell)
        )
        verdict = verify(str(ledger))
        assert verdict.ok, (count, verdict.first)
        seen.add((len(rows(ledger)) < len(before), verdict.left_over > 0))
        if ended:
            break
        archive(str(ledger), 20_000, str(old))
        assert faults(ledger) == [] and verify(str(ledger)).left_over == 0
        told = {row[0]: row for file in sorted(old.glob("*.sqlite3")) for row in rows(file)}
        told |= {row[0]: row for row in rows(ledger)}
        assert [told[number] for number in sorted(told)] == before
    assert ended
    assert seen >= {(False, False), (True, True), (True, False)}


def test_the_command_says_what_went_where(line, tmp_path, linectl):
    said = linectl("ledger", "archive", line, "--older-than", "2h", "--to", tmp_path / "old")
    assert said.code == 0 and "has moves 1 to" in said.out and "taken away here" in said.out
    again = linectl("ledger", "archive", line, "--older-than", "2h", "--to", tmp_path / "old",
                    "--json")  # fmt: skip
    assert again.code == 0 and again.json["archive"] is None
    assert linectl("ledger", "archive", line, "--older-than", "old", "--to", ".").code == 2
