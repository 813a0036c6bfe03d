"""What is planted in a ledger's file is found, and the first row that breaks a rule is named."""

from __future__ import annotations

import shutil
import sqlite3
from pathlib import Path

import pytest

from linectl.errors import LedgerUnreachable
from linectl.image import Event, Slot
from linectl.ledger import Ledger
from linectl.ledger.verify import verify
from linectl.ledger.verify_rules import FINDINGS_KEPT, RULES

T0 = 1_700_000_000_000


@pytest.fixture(scope="module")
def sound(tmp_path_factory):
    return tmp_path_factory.mktemp("sound") / "line.sqlite3"


@pytest.fixture
def planted(sound, site, journey, path):
    """Three gutters sown, the first handed over, a fourth fed, over two boots; numbers below.

    1-10 sow 1 · 11-13 germ strokes · 14 transfer · 15-24 sow 2 · 25-31 grow strokes · 32 eject
    · 33 handover · 34 germ stroke · 35-44 sow 3 · 45 feed 4. Of a sowing: feed, convey, process
    (fill), reserve, convey, process (water), convey, process (seed), convey, insert.
    """
    if not sound.exists():
        _record(str(sound), site, journey)
    shutil.copy(sound, path)
    assert verify(path).ok

    def plant(*statements: str):
        connection = sqlite3.connect(path)
        for statement in statements:
            connection.execute(statement)
        connection.commit()
        connection.close()
        return verify(path)

    return plant


def _record(path, site, journey):
    first = Ledger.open(path, site, lambda: T0)
    told = [Event(1000 * n, "note", "sowing", "so it is", {}) for n in range(40)]
    germ, grow = "lane1.germ", "lane1.grow"
    first.record([*journey.sow(1), *(m for _ in range(3) for m in journey.stroke(germ))], told)
    first.record(journey.step("transfer", 1, f"{germ}.3", f"{grow}.0"), [])
    first.record([*journey.sow(2), *(m for _ in range(7) for m in journey.stroke(grow))], [])
    first.record(journey.step("eject", 1, f"{grow}.7", "outfeed"), [])
    first.record(journey.step("handover", 1, "outfeed", "packing"), [])
    first.close()
    second = Ledger.open(path, site, lambda: T0 + 60_000)
    journey.at = 0
    second.record([*journey.stroke(germ), *journey.sow(3)], [])
    second.record(journey.step("feed", 4, "stock", "magazine", ""), [])
    second.close()


def at(name: str) -> str:
    return f"(SELECT id FROM places WHERE name = '{name}')"


GERM, GROW = at("lane1.germ"), at("lane1.grow")
MOVES = {
    "a deleted move": (["DELETE FROM moves WHERE number = 20"], "numbers", 20),
    "a gap in the numbers": (
        ["UPDATE moves SET number = number + 100 WHERE number > 40"], "numbers", 41,
    ),
    "a time that went back": (
        ["UPDATE moves SET intended_ms = intended_ms - 5000 WHERE number = 20"], "time", 20,
    ),
    "done before intended": (["UPDATE moves SET took_ms = -1 WHERE number = 20"], "time", 20),
    "a boot that is missing": (["DELETE FROM boots WHERE id = 2"], "boots", 34),
    "an earlier boot": (["UPDATE moves SET boot = 1 WHERE number = 40"], "boots", 40),
    "an id given twice": (["UPDATE moves SET gutter = 2 WHERE number = 35"], "ids", 35),
    "an id given late": (["UPDATE moves SET gutter = 1 WHERE number = 45"], "ids", 45),
    "a move from elsewhere": (
        [f"UPDATE moves SET source = {at('water')} WHERE number = 16"], "source", 16,
    ),
    "a move of another gutter": (["UPDATE moves SET gutter = 2 WHERE number = 33"], "source", 33),
    "a second gutter in a station": (
        [f"UPDATE moves SET kind = 1, gutter = 5, source = {at('stock')}, dest = {at('magazine')}"
         " WHERE number = 36"], "one place", 36,
    ),
    "a stroke over an occupied last slot": (
        [f"UPDATE moves SET kind = 9, gutter = -1, source = {GERM}, source_slot = 0, dest = {GERM}"
         " WHERE number = 14"], "lanes", 14,
    ),
    "an eject not from the tail": (
        ["UPDATE moves SET took_ms = NULL WHERE number = 31",
         "UPDATE moves SET source_slot = 6 WHERE number = 32"], "lanes", 32,
    ),
    "an insert into an occupied mouth": (
        [f"UPDATE moves SET source = {GROW}, dest = {GROW} WHERE number = 34"], "lanes", 44,
    ),
    "an insert beside the mouth": (
        ["UPDATE moves SET dest_slot = 2 WHERE number = 44"], "lanes", 44,
    ),
    "a transfer that jumps": (["UPDATE moves SET dest_slot = 1 WHERE number = 14"], "lanes", 14),
    "an insert without a reservation": (
        ["UPDATE moves SET kind = 3, dest = source WHERE number = 18"], "reserve", 24,
    ),
    "a mouth reserved twice": (
        ["UPDATE moves SET kind = 4, gutter = 3, source_slot = 0, dest_slot = 0,"
         f" source = {at('stock')}, dest = {GERM} WHERE number = 40"], "source", 40,
    ),
    "a reservation that was never made": (
        ["UPDATE moves SET took_ms = NULL WHERE number = 18"], "reserve", 24,
    ),
    "a slot of a station": (["UPDATE moves SET dest_slot = 1 WHERE number = 2"], "kinds", 2),
    "a move told of the boot before": (["UPDATE moves SET boot = 1 WHERE number = 34"], "time", 34),
    "a move to where it was": (
        ["UPDATE moves SET kind = 2 WHERE number = 17"], "kinds", 17,
    ),
    "a feed from the rejects": (
        [f"UPDATE moves SET source = {at('reject')} WHERE number = 45"], "kinds", 45,
    ),
    "a process where the gutter is not": (
        ["UPDATE moves SET gutter = 1 WHERE number = 17"], "process", 17,
    ),
    "an unknown kind": (["UPDATE moves SET kind = 99 WHERE number = 30"], "kinds", 30),
    "an unknown place": (["UPDATE moves SET dest = 999 WHERE number = 30"], "kinds", 30),
    "a kind that does not go there": (
        [f"UPDATE moves SET dest = {at('outfeed')} WHERE number = 33"], "kinds", 33,
    ),
}  # fmt: skip


@pytest.mark.parametrize(("statements", "rule", "number"), MOVES.values(), ids=MOVES)
def test_the_first_move_that_breaks_a_rule_is_named(planted, statements, rule, number):
    verdict = planted(*statements)
    assert verdict.first is not None
    first = verdict.first
    assert (first.rule.name, first.table, first.row) == (rule, "moves", number)
    assert str(number) in first.text


TABLES = {
    "another place than the moves": (
        f"UPDATE gutters SET place = {at('seed')} WHERE id = 3", "stands", "gutters", 3,
    ),
    "another slot than the moves": (
        "UPDATE gutters SET seat = seat - 1 WHERE id = 2", "stands", "gutters", 2,
    ),
    "two gutters in one slot": (
        "UPDATE gutters SET seat = (SELECT seat FROM gutters WHERE id = 2) WHERE id = 3",
        "stands", "gutters", 3,
    ),
    "a deleted gutter": ("DELETE FROM gutters WHERE id = 2", "stands", "gutters", 2),
    "a deleted gutter that had left": ("DELETE FROM gutters WHERE id = 1", "stands", "gutters", 1),
    "a gutter that no move brought": (
        f"INSERT INTO gutters (id, place) VALUES (9, {at('fill')})", "stands", "gutters", 9,
    ),
    "an unnamed gutter that no move brought": (
        f"INSERT INTO gutters (id, place, seat) VALUES (-1, {GERM}, -3)", "stands", "gutters", -1,
    ),
    "no time of sowing": ("UPDATE gutters SET sown_ms = NULL WHERE id = 2", "stamps", "gutters", 2),
    "no time of watering": (
        "UPDATE gutters SET wet_ms = NULL WHERE id = 2", "stamps", "gutters", 2,
    ),
    "another time of hand-over": (
        "UPDATE gutters SET handed_ms = handed_ms + 1 WHERE id = 1", "stamps", "gutters", 1,
    ),
    "a time of hand-over before it": (
        "UPDATE gutters SET handed_ms = 1 WHERE id = 2", "stamps", "gutters", 2,
    ),
    "no time at which it is ripe": (
        "UPDATE gutters SET ripe_ms = NULL WHERE id = 2", "stamps", "gutters", 2,
    ),
    "no sowing lot": ("UPDATE gutters SET lot = NULL WHERE id = 2", "stamps", "gutters", 2),
    "another lane": ("UPDATE gutters SET lane = 2 WHERE id = 3", "stamps", "gutters", 3),
    "a lot that is not listed": ("UPDATE gutters SET seed_lot = 77 WHERE id = 2", "lots",
                                 "gutters", 2),
    "a lot of another kind": ("UPDATE gutters SET packing_lot = lot WHERE id = 2", "lots",
                              "gutters", 2),
    "another count of strokes": (
        "UPDATE places SET strokes = strokes + 1 WHERE name = 'lane1.grow'", "strokes", "places",
        None,
    ),
    "another count of a boot": (
        "UPDATE boots SET in_lanes = 7 WHERE id = 2", "counts", "boots", 2,
    ),
    "a boot that began too early": (
        f"UPDATE boots SET started_ms = {T0 - 5} WHERE id = 2", "time", "moves", 1,
    ),
    "an event out of its time": (
        "UPDATE events SET at_ms = at_ms - 3000 WHERE id = 20", "events", "events", 20,
    ),
    "an event of no boot": ("UPDATE events SET boot = 9 WHERE id = 40", "boots", "events", 40),
}  # fmt: skip


@pytest.mark.parametrize(("statement", "rule", "table", "row"), TABLES.values(), ids=TABLES)
def test_the_first_row_of_a_table_that_breaks_a_rule_is_named(
    planted, statement, rule, table, row, second
):
    verdict = planted(statement)
    first = verdict.first
    if row is None:
        row = second.one("SELECT id FROM places WHERE name = 'lane1.grow'")
    assert first is not None
    assert (first.rule.name, first.table, first.row) == (rule, table, row)


def test_every_page_that_is_spoilt_is_found(planted, path):
    whole = Path(path).read_bytes()
    for page in range(1, len(whole) // 4096):
        spoilt = bytearray(whole)
        if page == 1:
            continue  # where the roots of tables are: only a vacuum reads it
        for place in range(page * 4096, page * 4096 + 16):  # the page's own head
            spoilt[place] ^= 0xA5
        Path(path).write_bytes(spoilt)
        first = verify(path).first
        assert first is not None and first.rule.name == "pages", page
    Path(path).write_bytes(b"no database at all" + whole[18:])
    with pytest.raises(LedgerUnreachable, match="not a ledger"):
        verify(path)


def test_a_value_altered_in_a_page_past_sqlites_own_check_is_found(planted, path, second):
    """A seat's byte within a row: the page is whole, the gutter stands elsewhere."""
    whole = Path(path).read_bytes()
    (packed,) = (second.one("SELECT wet_ms FROM gutters WHERE id = 3").to_bytes(6, "big"),)
    place = whole.find(packed)
    spoilt = bytearray(whole)
    spoilt[place + 5] ^= 1
    Path(path).write_bytes(spoilt)
    assert second.rows("PRAGMA integrity_check") == [("ok",)]
    assert not verify(path).ok


def test_a_gutter_of_the_first_start_that_was_taken_out_of_its_state_is_found(path, site):
    ledger = Ledger.open(path, site, lambda: T0)
    ledger.seed_lanes([Slot("lane1.grow.7", 5, "oak", -9, 9), Slot("lane1.grow.6", -1, "", 0, 0)])
    ledger.close()
    assert verify(path).ok
    db = sqlite3.connect(path)
    db.execute("UPDATE checkpoint SET state = replace(state, '[5,', '[6,')")
    db.commit()
    assert verify(path).first.row == 5
    db.execute("UPDATE checkpoint SET state = '{'")
    db.commit()
    db.close()
    assert verify(path).first.rule.name == "checkpoint"


def test_many_broken_rows_are_counted_and_few_are_kept(planted):
    verdict = planted("UPDATE events SET at_ms = -id WHERE id > 5")
    assert verdict.findings.counts["events"] == 35
    assert len(verdict.findings.kept) == FINDINGS_KEPT


def test_every_rule_says_what_holds_and_what_to_do():
    assert len({rule.name for rule in RULES}) == len(RULES)
    assert all(rule.holds and len(rule.do) > 40 for rule in RULES)


@pytest.mark.parametrize("json", [True, False])
def test_the_command_names_the_row_and_ends_with_1(planted, path, linectl, json):
    assert linectl("ledger", "verify", path).code == 0
    planted("UPDATE moves SET gutter = 2 WHERE number = 35")
    said = linectl("ledger", "verify", path, *(["--json"] if json else []))
    assert said.code == 1
    if json:
        assert said.json["ok"] is False
        assert said.json["first"]["row"] == 35
        assert {rule["rule"] for rule in said.json["rules"] if rule["broken"]} >= {"ids"}
    else:
        assert "moves 35" in said.out and "ids" in said.out


def test_what_is_no_ledger_ends_with_3(linectl, tmp_path):
    said = linectl("ledger", "verify", tmp_path / "none.sqlite3")
    assert said.code == 3 and "there is no such file" in said.err
