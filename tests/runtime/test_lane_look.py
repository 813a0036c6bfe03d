"""Lanes looked at from a ledger: what stood and what was ejected are the rehearsed line's."""

from __future__ import annotations

import datetime as dt
from types import SimpleNamespace

import pytest

from linectl.errors import LedgerUnreachable, UsageError
from linectl.ledger.lane_reading import reach, read_lanes
from linectl.ledger.shift_reading import CropDays, Standing
from linectl.runtime.lane_ages import lane_ages
from linectl.runtime.lane_look import look_at_full, look_at_ledger
from linectl.runtime.lane_pace import lane_paces
from linectl.runtime.shift_calendar import Span, local
from linectl.runtime.shift_report import report
from linectl.site.load import load_site
from linectl.site.model import WEEKDAYS, Shift

MINUTE = 60_000


@pytest.fixture(scope="module")
def rehearsed(shift, tmp_path_factory):
    """Five minutes of the small site, and that site with a shift of just these five."""
    path = tmp_path_factory.mktemp("lanes") / "ledger.sqlite3"
    made = shift("small", ledger=str(path))
    outcome = made.run("5m").outcome
    start = made.rehearsal.ledger.started_ms
    calendar = Shift(start=local(start).time(), length="5m", days=WEEKDAYS)
    site = made.rehearsal.site
    site = site.model_copy(update={"file": site.file.model_copy(update={"shift": calendar})})
    return SimpleNamespace(site=site, path=str(path), start=start, outcome=outcome)


def test_ejects_by_lane_are_those_of_the_bodies(rehearsed):
    start = rehearsed.start
    bounds = [start, start + 3 * MINUTE, start + 5 * MINUTE]
    record = read_lanes(rehearsed.path, bounds)
    bodies = {row["lane"]: row["ejected"] for row in rehearsed.outcome["lanes"]}
    unconfirmed = rehearsed.outcome["unconfirmed"].get("eject", 0)
    whole = record.ejected[0] + record.ejected[1]
    assert sum(bodies.values()) - unconfirmed == whole.total() > 5
    assert all(whole[lane] <= count for lane, count in bodies.items())
    assert record.ejected[0].total() > 1 < record.ejected[1].total()


def test_a_lane_gives_a_day_what_it_gave_in_the_one_shift_recorded(rehearsed):
    seen = look_at_ledger(rehearsed.site, rehearsed.path, rehearsed.start + 5 * MINUTE)
    whole = read_lanes(
        rehearsed.path, [rehearsed.start, rehearsed.start + 5 * MINUTE]
    ).ejected[0]  # fmt: skip
    for lane in seen.lanes:
        assert lane.given == (whole[lane.ages.lane], 1)
        assert len(lane.stands) == lane.ages.summary()["filled"]
        assert lane.rates.keeps == pytest.approx(len(lane.stands) / lane.days)


def test_no_shift_is_finished_while_the_first_one_is_under_way(rehearsed):
    whole_day = Shift(start=local(rehearsed.start).time(), length="24h", days=WEEKDAYS)
    file = rehearsed.site.file.model_copy(update={"shift": whole_day})
    site = rehearsed.site.model_copy(update={"file": file})
    for lane in look_at_ledger(site, rehearsed.path, rehearsed.start).lanes:
        assert (lane.given, lane.outlook, lane.verdict) == (None, None, "unknown")


def test_what_stood_before_the_records_end_is_not_made_up(rehearsed):
    end = reach(rehearsed.path, "small").last_ms
    assert rehearsed.start + 4 * MINUTE < end <= rehearsed.start + 5 * MINUTE
    with pytest.raises(UsageError, match="it does not know"):
        look_at_ledger(rehearsed.site, rehearsed.path, end, at_ms=end - MINUTE)
    later = look_at_ledger(rehearsed.site, rehearsed.path, end, at_ms=end + 60 * MINUTE)
    now = look_at_ledger(rehearsed.site, rehearsed.path, end)
    for before, after in zip(now.lanes, later.lanes, strict=True):
        grown = after.ages.slots[-1].days - before.ages.slots[-1].days
        assert grown == pytest.approx(60 / 1440)


def test_another_sites_ledger_is_refused(rehearsed):
    with pytest.raises(LedgerUnreachable, match="belongs to site small"):
        reach(rehearsed.path, "elsewhere")


def test_the_shift_report_says_the_same_of_each_lane(rehearsed):
    end = rehearsed.start + 5 * MINUTE
    told = report(rehearsed.site, rehearsed.path, Span(rehearsed.start, end), end).told
    assert told["pace"] == look_at_ledger(rehearsed.site, rehearsed.path, end).told()
    assert all("the last shift gave" in lane["sentence"] for lane in told["pace"]["lanes"])


def full(site, days: int, **rates: float):
    """Its lanes at so many shifts a week, given what the lanes 1, 2 … give."""
    calendar = Shift(start=dt.time(6), length="2h30m", days=WEEKDAYS[:days])
    file = site.file.model_copy(update={"shift": calendar})
    said = {int(name.removeprefix("lane")): rate for name, rate in rates.items()}
    return look_at_full(site.model_copy(update={"file": file}), said)


@pytest.fixture(scope="module")
def fennmark():
    return load_site("config/fennmark")


def test_full_lanes_are_in_time_at_the_rate_that_keeps_their_days(fennmark):
    """Six lanes of 480 slots: 20 a day keep 24 days (by hand), 24 keep 20."""
    seen = full(fennmark, 7, lane1=20, lane3=480 / 26, lane6=24)
    lanes = {lane.ages.lane: lane for lane in seen.lanes}
    assert lanes[1].rates.keeps == 20
    assert lanes[6].rates.keeps == 24
    assert {lanes[n].verdict for n in (1, 3, 6)} == {"on pace"}
    assert lanes[2].verdict == "unknown"


def test_the_sentence_says_the_rate_in_shifts_where_not_every_day_has_one(fennmark):
    lane = full(fennmark, 5, lane1=25).told()["lanes"][0]
    assert lane["sentence"].startswith(
        "lane 1: 20 a day keep 24 days (28 a shift on 5 days a week), with 25: the tail will be"
    )
    assert lane["verdict"] == "early"


def test_a_hole_and_a_gutter_nobody_named_are_reckoned_as_what_they_are(fennmark):
    """One gutter less stands, so fewer a day keep its days; an unnamed one takes its turn."""

    day = 86_400_000
    slots = [Standing(1, "lane1.grow", n, 500 - n, "green_oakleaf", -20 * day) for n in range(390)]
    slots[10] = slots[10]._replace(gutter=-1, crop="", sown_ms=None)
    crops = {"green_oakleaf": CropDays(24 * day, 22 * day)}
    ages = lane_ages(fennmark, slots[:389], crops, 0)
    lane = lane_paces(fennmark, ages, crops, {}, lambda a_day: ())[0]
    assert (len(lane.stands), lane.rates.keeps) == (389, pytest.approx(389 / 24))
    assert [stand.age for stand in lane.stands].count(None) == 1


def test_a_lane_of_which_nothing_is_taken_ages_a_day_each_day(fennmark):
    lane = full(fennmark, 7, lane1=0).told()["lanes"][0]
    assert lane["sentence"] == (
        "lane 1: 20 a day keep 24 days, with 0: the tail will be 1 day late in 1 day, and ages a"
        " day each day until it is taken"
    )


def test_a_sentence_says_nothing_twice(fennmark):
    """20.9 of 20 a day: a day early, and to the tenth of a day never more (480 ÷ 20.9 = 23.0)."""
    sentence = full(fennmark, 7, lane1=20.9).told()["lanes"][0]["sentence"]
    assert sentence.count("1 day early") == 1
    assert sentence.endswith("the tail will be 1 day early in 21.1 days")
