"""A ledger that cannot be trusted is refused, with a sentence that says what to do."""

from __future__ import annotations

import errno
import os
import sqlite3

import pytest

from linectl.errors import LedgerBroken, LedgerUnreachable
from linectl.image import Slot
from linectl.ledger import Ledger
from linectl.ledger.opening import take_ownership
from linectl.ledger.schema import VERSION


def test_the_file_is_written_ahead_and_synchronised_in_full(tmp_path, site):
    path = str(tmp_path / "line.sqlite3")
    ledger = Ledger.open(path, site)
    own = ledger._connection
    assert own.execute("PRAGMA journal_mode").fetchone() == ("wal",)
    assert own.execute("PRAGMA synchronous").fetchone() == (2,)  # 2 is FULL
    ledger.close()


def test_a_file_that_is_no_database_is_refused_and_left_alone(tmp_path, site):
    path = tmp_path / "notes.txt"
    path.write_text("gutters: 12 in lane 3, ask the morning shift\n" * 40)
    before = path.read_bytes()
    with pytest.raises(LedgerUnreachable, match="not a ledger"):
        Ledger.open(str(path), site)
    assert path.read_bytes() == before


def test_another_programs_database_is_refused(tmp_path, site):
    path = tmp_path / "other.sqlite3"
    other = sqlite3.connect(path)
    other.execute("CREATE TABLE invoices (id)")
    other.close()
    with pytest.raises(LedgerUnreachable, match="another program"):
        Ledger.open(str(path), site)


def test_a_ledger_of_a_newer_linectl_is_refused(tmp_path, site):
    path = tmp_path / "line.sqlite3"
    Ledger.open(str(path), site).close()
    newer = sqlite3.connect(path)
    newer.execute(f"PRAGMA user_version = {VERSION + 1}")
    newer.close()
    before = path.read_bytes()
    with pytest.raises(LedgerUnreachable, match="newer linectl"):
        Ledger.open(str(path), site)
    assert path.read_bytes() == before


def test_another_sites_ledger_is_refused(tmp_path, make_site):
    path = str(tmp_path / "line.sqlite3")
    Ledger.open(path, make_site("north")).close()
    with pytest.raises(LedgerUnreachable, match="belongs to site north, not to south"):
        Ledger.open(path, make_site("south"))


def test_a_gutter_in_a_slot_that_the_site_lost_is_named(tmp_path, make_site):
    path = str(tmp_path / "line.sqlite3")
    ledger = Ledger.open(path, make_site())
    ledger.seed_lanes([Slot("lane1.grow.7", 11, "oak", 0, 0)])
    ledger.close()
    with pytest.raises(LedgerBroken, match=r"gutter 11 stands at lane1\.grow\.7"):
        Ledger.open(path, make_site(grow_slots=6))


def test_a_second_controller_is_told_which_process_writes_it(tmp_path, site):
    path = str(tmp_path / "line.sqlite3")
    ledger = Ledger.open(path, site)
    with pytest.raises(LedgerUnreachable, match=f"process {os.getpid()}"):
        Ledger.open(path, site)
    ledger.close()
    Ledger.open(path, site).close()


def test_a_ledger_locked_by_another_program_is_not_begun(path, second, site, journey, monkeypatch):
    monkeypatch.setattr("linectl.ledger.opening.BUSY_MS", 10)
    ledger = Ledger.open(path, site)
    ledger.record(journey.sow(1), [])
    ledger.close()
    other = sqlite3.connect(path, isolation_level=None)
    other.execute("BEGIN EXCLUSIVE")
    with pytest.raises(LedgerUnreachable, match="another program holds it locked"):
        Ledger.open(path, site)
    other.execute("ROLLBACK")
    other.close()
    assert second.one("SELECT count(*) FROM boots") == 1
    Ledger.open(path, site).close()
    assert second.one("SELECT count(*) FROM boots") == 2
    assert second.slots() == {1: "lane1.germ.0"}


def test_a_folder_that_is_not_there_is_named(tmp_path, site):
    with pytest.raises(LedgerUnreachable, match="does its folder exist"):
        Ledger.open(str(tmp_path / "nowhere" / "line.sqlite3"), site)
    with pytest.raises(LedgerUnreachable, match="it is a folder"):
        Ledger.open(str(tmp_path), site)


def test_a_full_disk_loses_nothing_that_was_acknowledged(path, second, site, journey, events):
    ledger = Ledger.open(path, site)
    ledger.record(journey.sow(1), [])
    pages = ledger._connection.execute("PRAGMA page_count").fetchone()[0]
    ledger._connection.execute(f"PRAGMA max_page_count = {pages}")
    with pytest.raises(LedgerUnreachable, match="the disk is full"):
        ledger.record(journey.sow(2), events(2000))
    assert (ledger.durable(), ledger.places()) == (20, {1: "lane1.germ.0"})
    ledger.close()
    assert second.slots() == {1: "lane1.germ.0"}
    assert second.one("SELECT count(*) FROM events") == 0


def test_a_ledger_behind_a_link_or_another_way_is_the_same_ledger(tmp_path, site):
    path = tmp_path / "line.sqlite3"
    link, folder = tmp_path / "link.sqlite3", tmp_path / "way"
    link.symlink_to(path)
    folder.symlink_to(tmp_path)
    ledger = Ledger.open(str(path), site)
    for other in (link, folder / "line.sqlite3"):
        with pytest.raises(LedgerUnreachable, match=f"process {os.getpid()} of user"):
            Ledger.open(str(other), site)
    ledger.close()
    through = Ledger.open(str(link), site)  # and a link alone is no obstacle
    with pytest.raises(LedgerUnreachable, match=rf"site bench, ledger {path}"):
        Ledger.open(str(path), site)
    through.close()
    rows = sqlite3.connect(path)
    assert rows.execute("SELECT count(*) FROM boots").fetchone() == (2,)
    rows.close()


def test_a_ledger_with_two_names_is_refused_before_anything_is_written(tmp_path, site):
    path, other = tmp_path / "line.sqlite3", tmp_path / "copy.sqlite3"
    Ledger.open(str(path), site).close()
    other.hardlink_to(path)
    before = path.read_bytes()
    for name in (path, other):
        with pytest.raises(LedgerUnreachable, match=r"2 names \(hard links\)"):
            Ledger.open(str(name), site)
    assert path.read_bytes() == before
    other.unlink()
    Ledger.open(str(path), site).close()


def test_a_full_disk_does_not_keep_a_ledger_from_being_held(tmp_path, site, monkeypatch):
    def full(*arguments):
        raise OSError(errno.ENOSPC, "No space left on device")

    monkeypatch.setattr(os, "pwrite", full)
    owner = take_ownership(str(tmp_path / "line.sqlite3"))
    with pytest.raises(LedgerUnreachable, match=r"writes it already \(unknown\)"):
        take_ownership(str(tmp_path / "line.sqlite3"))
    owner.close()
