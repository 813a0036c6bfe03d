"""Signing, overriding and taking back: who may, what it covers, and for how long."""

from __future__ import annotations

import dataclasses
import datetime as dt
from pathlib import Path

import pytest

from linectl.commission.checkout.record import append_try
from linectl.commission.readiness import acts
from linectl.commission.readiness.record import FILE, append_act, read_acts
from linectl.errors import UsageError

from .conftest import NOW, a_try

DAY_MS = 86_400_000
PROTECTED = (
    "estop.sowing", "guard.fill", "watchdog.io_sower", "start_warning.lanes", "lock_out",
    "field_tests.protective", "guards_in_place", "area_clear", "local_codes",
)  # fmt: skip
HOUR = dt.timedelta(hours=1)


def override(bench, name, **more):
    asked = {"by": "ben", "why": "packing comes on Monday", "for_ms": DAY_MS} | more
    return acts.override(bench.list(), name, bench.now, **asked)


def fail(bench, tag):
    append_try(bench.folder, a_try(bench.site, tag, result="fail", found="nothing moved"))


def test_an_override_releases_production_under_a_name_for_its_time_and_is_shown(done):
    fail(done, "fill.exit_eye")
    override(done, "inputs")
    listed = done.list()
    item = listed.item("inputs")
    assert (item.ok, item.done, listed.ready) == (False, True, True)
    told = item.as_json()
    assert (told["ok"], told["overridden_by"]) == (False, "ben")
    assert listed.overrides() == (
        "overridden by ben: inputs until 2026-06-02T09:00 (packing comes on Monday)",
    )
    done.now += dt.timedelta(days=1) - HOUR
    assert done.list().ready
    done.now += HOUR
    assert not done.list().ready
    assert done.list().overrides() == ()


def test_an_override_that_begins_later_than_now_counts_for_nothing(done):
    # S45: the clock was set back, and nobody knows how long it has run
    fail(done, "fill.exit_eye")
    override(done, "inputs")
    done.now -= dt.timedelta(minutes=4)
    assert done.list().ready, "clocks of two computers"
    done.now -= HOUR
    assert not done.list().ready


def test_an_override_lasts_a_week_whatever_was_written_into_the_record(done):
    # S45
    fail(done, "fill.exit_eye")
    override(done, "inputs")
    (act,) = [row for row in read_acts(done.folder).rows if row.act == "override"]
    append_act(done.folder, dataclasses.replace(act, until="2099-01-01T00:00:00+00:00"))
    done.now += dt.timedelta(days=7) - HOUR
    assert done.list().ready
    done.now += HOUR
    assert not done.list().ready


def test_an_override_covers_what_was_wrong_when_it_was_given_and_nothing_later(done):
    fail(done, "fill.exit_eye")
    override(done, "inputs")
    fail(done, "tamp.exit_eye")
    item = done.item("inputs")
    assert not item.done
    assert "not covered by the override of ben: tamp.exit_eye" in item.why


def test_nobody_overrides_what_protects_people(fresh):
    listed = fresh.list()
    asked = {"by": "ben", "why": "in a hurry", "for_ms": DAY_MS}
    row = acts.override(listed, "calibration.water", fresh.now, **asked)
    for name in PROTECTED:
        with pytest.raises(UsageError, match=f"{name} is overridden by nobody"):
            acts.override(listed, name, fresh.now, **asked)
        # S45: not even with a row that somebody has written into the file by hand
        covers = "; ".join(listed.item(name).lacks)
        append_act(fresh.folder, dataclasses.replace(row, item=name, covers=covers))
    listed = fresh.list()
    assert [name for name in PROTECTED if listed.item(name).done] == []
    assert listed.item("calibration.water").done


@pytest.mark.parametrize(
    ("name", "more", "why"),
    [
        ("inputs", {"for_ms": 8 * DAY_MS}, "7d at most"),
        ("inputs", {"for_ms": 0}, "7d at most"),
        ("inputs", {"why": "  "}, "needs its reason"),
        ("inputs", {"by": " "}, "who answers for it"),
        ("inputz", {}, "nearest valid name: inputs"),
        ("approved", {}, "nothing to override"),
    ],
)
def test_an_override_that_is_not_whole_is_refused_and_nothing_is_kept(as_it_comes, name, more, why):
    asked = {"by": "ben", "why": "packing comes on Monday", "for_ms": DAY_MS} | more
    with pytest.raises(UsageError, match=why):
        acts.override(as_it_comes, name, NOW, **asked)
    assert not (Path(as_it_comes.site.folder) / FILE).exists()


def test_what_was_signed_or_overridden_can_be_taken_back(done):
    acts.withdraw(done.list(), "area_clear", done.now, by="ben", why="a ladder stands there")
    assert not done.is_ok("area_clear")
    fail(done, "fill.exit_eye")
    override(done, "inputs")
    acts.withdraw(done.list(), "inputs", done.now, by="anna")
    assert not done.item("inputs").done
    with pytest.raises(UsageError, match="nothing to take back"):
        acts.withdraw(done.list(), "inputs", done.now, by="anna")
    done.sign("area_clear", witness="ben", remark="ladder gone")
    assert done.item("area_clear").why == "signed by anna on 2026-06-01, witness ben"


def test_a_signature_is_kept_with_its_words_and_what_it_rests_on(fresh):
    listed = fresh.list()
    text = listed.item("guards_in_place").text
    assert "(fill, seed, turn, turnout, mouth, tail)" in text
    act = acts.sign(listed, "guards_in_place", fresh.now, by=" a  example ", remark="all bolted")
    (row,) = read_acts(fresh.folder).rows
    assert row == act
    assert (row.text, row.by, row.remark) == (text, "a example", "all bolted")
    assert (len(row.rests_on), len(row.site_digest)) == (12, 12)


@pytest.mark.parametrize(
    ("name", "more", "why"),
    [
        ("estop.sowing", {}, "a fact that linectl checks itself; nobody signs it"),
        ("watchdog.io_sower", {}, "needs the time that was measured"),
        ("watchdog.io_sower", {"measured_ms": 1001}, "longer than the 1s that its zone allows"),
        ("area_clear", {"measured_ms": 10}, "belongs to a watchdog"),
        ("area_clear", {"witness": "Anna"}, "another person"),
        ("area_clear", {"by": ""}, "who answers"),
        ("area_clear", {"remark": "x" * 501}, "too long"),
        ("dry_cycle_seen", {}, "has not been free to run in dry cycle; next is lock_out"),
        ("first_gutter", {}, "has not been free to start in production"),
    ],
)
def test_a_signature_that_says_nothing_is_refused_and_nothing_is_kept(as_it_comes, name, more, why):
    with pytest.raises(UsageError, match=why):
        acts.sign(as_it_comes, name, NOW, **({"by": "anna"} | more))
    assert not (Path(as_it_comes.site.folder) / FILE).exists()


def test_the_first_hour_is_signed_after_the_first_gutter(done):
    done.withdraw("first_gutter")
    done.withdraw("first_hour")
    with pytest.raises(UsageError, match="before first_gutter"):
        done.sign("first_hour")
    done.sign("first_gutter")
    done.sign("first_hour")
    assert done.list().as_json()["done"]


def test_a_row_that_cannot_be_read_counts_for_nothing_and_is_named(done):
    file = done.folder / FILE
    text = file.read_text(encoding="utf-8-sig")
    file.write_text(text.replace(",sign,", ",sighn,", 1), encoding="utf-8-sig")
    listed = done.list()
    assert not listed.ready
    assert "signed.csv:2: act: 'sighn' is none of" in str(listed.unreadable[0])
