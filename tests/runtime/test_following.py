"""People follow a plan on the model: lists done, crops changed, nights leapt over."""

from __future__ import annotations

import datetime as dt
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from linectl.runtime import hopper
from linectl.runtime.deliveries import Book, account
from linectl.runtime.following import Following, Shiftwork, list_text
from linectl.runtime.plan_rehearsal import rehearse_plan
from linectl.runtime.rehearsal import Options
from linectl.site.load import load_site
from linectl.site.model import Shift as ShiftFacts
from linectl.site.plan_file import Allot, Day

CONFIG = Path(__file__).parents[2] / "config"
MONDAY = dt.date(2026, 6, 1)
MINUTE = 60_000


@pytest.fixture(scope="module")
def daily():
    """Makes the small line with crops of four days and one short shift a day: a lane gives three
    gutters a day."""
    site = load_site(CONFIG / "small")
    return lambda length="40m": _daily(site, length)


def _daily(site, length: str):
    shift = ShiftFacts.model_validate({"start": "06:00", "length": length})
    times = {"days_ms": 4 * 86_400_000, "ripe_after_ms": 3 * 86_400_000}
    crops = {name: crop.model_copy(update=times) for name, crop in site.crops.crops.items()}
    return site.model_copy(
        update={
            "file": site.file.model_copy(update={"shift": shift}),
            "crops": site.crops.model_copy(update={"crops": crops}),
        }
    )


def _day(number: int, sow, pull) -> Day:
    """sow: lane, crop, gutters; pull: the same."""
    return Day(
        MONDAY + dt.timedelta(days=number),
        tuple(Allot(*row) for row in sow),
        tuple(Allot(*row) for row in pull),
    )


GREEN, RED, ROCKET = "green_oakleaf", "red_oakleaf", "rocket"
USUAL = (((1, GREEN, 3), (2, RED, 2), (2, ROCKET, 1)), ((1, GREEN, 3), (2, RED, 3)))


def _rehearse(site, days, **options):
    return rehearse_plan(site, Options(scenario=(), **options), days)


def test_each_days_list_is_done_in_its_shift(daily) -> None:
    followed = _rehearse(daily(), [_day(0, *USUAL), _day(1, *USUAL)])
    for number, end in enumerate(followed.ends):
        assert end.left.sow == end.left.pull == ()
        assert end.sown == {(1, GREEN): 3, (2, RED): 2, (2, ROCKET): 1}
        assert end.pulled == {(1, GREEN): 3, (2, RED): 3}
        assert end.refused == ()
        assert number * 86_400_000 < end.ended_ms <= end.work.ends_ms
    assert [crop for _, crop in followed.ends[0].changes] == [RED, ROCKET]
    looked_at = [row for row in followed.outcome.account.alarms() if row["tag"] == "seed.first"]
    assert len(looked_at) == sum(len(end.changes) for end in followed.ends) == 5
    assert followed.outcome.report["violations"] == []
    assert followed.outcome.report["gutters"]["in_sower"] == 0


def test_nights_are_leapt_over_while_gutters_grow_older(daily) -> None:
    days = [_day(n, ((1, GREEN, 3), (2, GREEN, 3)), ((1, GREEN, 3), (2, RED, 3))) for n in range(5)]
    followed = _rehearse(daily(), days)
    assert [sum(end.pulled.values()) for end in followed.ends] == [6] * 5
    residences = followed.outcome.report["residences"]
    assert len(residences) == 6  # the fifth day pulls what the first one sowed
    assert all(abs(each - 4 * 86_400_000) < 40 * MINUTE for each in residences)
    assert followed.outcome.scans < followed.outcome.ticks / 100


def test_what_is_not_ripe_is_left_and_told(daily) -> None:
    followed = _rehearse(daily(), [_day(0, ((1, GREEN, 8),), ((1, GREEN, 8),))])
    (end,) = followed.ends
    left = end.left.pull[0].gutters
    assert end.left.pull == (Allot(1, "", left),)
    assert sum(end.pulled.values()) == 8 - left == 6  # ages of 3 d and more
    (day,) = account(followed, Book())["days"]
    assert {row["act"] for row in day["undone"]} == {"sow", "pull"}
    assert any("no ripe gutter at the tail of lane …" in row["reason"] for row in day["why"])


def test_a_rest_stands_first_on_the_next_list(daily) -> None:
    followed = _rehearse(daily("9m"), [_day(0, *USUAL), _day(1, *USUAL)])
    first, second = followed.ends
    assert first.left.sow
    assert first.ended_ms < first.work.ends_ms + 20 * MINUTE + 20_000
    assert second.list.sow == first.left.sow + second.work.day.sow
    planned = sum(allot.gutters for end in followed.ends for allot in end.work.day.sow)
    done = sum(sum(end.sown.values()) for end in followed.ends)
    assert done + sum(allot.gutters for allot in second.left.sow) == planned
    assert followed.outcome.report["violations"] == []


def test_a_list_that_the_line_refuses_is_left_whole_and_the_refusal_told(daily) -> None:
    followed = _rehearse(daily(), [_day(0, ((1, GREEN, 3),), ())])
    (end,) = followed.ends
    assert end.sown == {}
    assert end.left.sow == (Allot(1, GREEN, 3),)
    assert "3 would have no slot" in end.refused[0]


def test_days_without_a_shift_are_leapt_over_with_the_nights(daily) -> None:
    followed = _rehearse(daily(), [_day(0, *USUAL), _day(4, *USUAL)])
    assert followed.ends[1].work.begins_ms == 4 * 86_400_000
    assert followed.ends[1].left.sow == ()


def test_the_record_has_the_plans_dates(daily, tmp_path) -> None:
    from linectl.ledger.looking import looking
    from linectl.runtime.shift_calendar import shift_of

    site, path = daily(), tmp_path / "ledger.sqlite3"
    _rehearse(site, [_day(0, *USUAL)], ledger=str(path))
    with looking(str(path)) as connection:
        (began_ms,) = connection.execute("SELECT started_ms FROM boots").fetchone()
    assert began_ms == shift_of(site.file.shift, MONDAY).from_ms


# leaping and dead ends -------------------------------------------------------------------------


def _followed_shift(shift, day: Day, **options):
    """The small line with the crew of one long shift; what it told, and the crew's ends."""
    run = shift("small", start=False, **options)
    ends, told = [], []
    bench = run.rehearsal.bench
    crew = Following(bench, [Shiftwork(day, 0, 240 * MINUTE)], ends.append)
    record = bench.recorder.record

    def listen(moves, events):
        crew.take(moves, events)
        told.extend(moves)
        told.extend((e.at, e.kind, e.source, e.text, sorted(e.data.items())) for e in events)
        record(moves, events)

    bench.recorder.record = listen
    return run, ends, told


def test_leaping_and_every_tick_tell_the_same_with_a_list(shift, monkeypatch) -> None:
    monkeypatch.setattr(hopper, "HOPPER_MS", 20_000)  # every tick of three minutes is long
    day = _day(0, ((1, GREEN, 1), (2, ROCKET, 1)), ((1, GREEN, 1), (2, RED, 1)))
    leaping, ends, leapt = _followed_shift(shift, day)
    ticking, _, ticked = _followed_shift(shift, day, every_tick=True)
    for minute in range(1, 7):
        assert leaping.run(f"{minute}m").line.digest() == ticking.run(f"{minute}m").line.digest()
    assert leapt == ticked
    assert ends, "the day is not done: too little was compared"
    assert leaping.rehearsal.bench.scans < leaping.rehearsal.bench.ticks / 3


_LANE_CROPS = {1: (GREEN, RED), 2: (RED, GREEN, ROCKET)}


def _lists(lane: int) -> st.SearchStrategy[list[Allot]]:
    row = st.builds(Allot, st.just(lane), st.sampled_from(_LANE_CROPS[lane]), st.integers(1, 2))
    return st.lists(row, max_size=3)


def _sown_into(run, lane: int) -> list[str]:
    """Crops of the gutters that came into the lane, the first one first."""
    line, first_new = run.line, 25  # 24 stood there at the start
    slots = [slot for row in line.lanes.by_id[lane].slots for slot in row if slot >= first_new]
    return [line.gutters[slot].crop for slot in reversed(slots)]


@settings(max_examples=8, deadline=None)
@given(_lists(1), _lists(2))
def test_every_list_that_pulls_what_it_sows_comes_to_its_end(shift, one, two) -> None:
    """Whatever crops stand behind each other, people at the hopper get the line on."""
    sow = (*one, *two)
    pull = tuple(
        Allot(lane, "", sum(each.gutters for each in sow if each.lane == lane))
        for lane in (1, 2)
        if any(each.lane == lane for each in sow)
    )
    run, ends, _ = _followed_shift(shift, Day(MONDAY, sow, pull))
    for hours in range(1, 5):
        if not ends:
            run.run(f"{hours}h")
    (end,) = ends
    assert end.left.sow == end.left.pull == ()
    for lane in (1, 2):
        listed = [each.crop for each in sow if each.lane == lane for _ in range(each.gutters)]
        assert _sown_into(run, lane) == listed, "in the order of its list"
        assert sum(n for (of, _), n in end.pulled.items() if of == lane) == len(listed)
    assert "mutual_wait" not in run.alarms()
    assert run.outcome["violations"] == []


def test_the_text_of_a_list_is_what_the_command_takes() -> None:
    day = _day(0, ((1, GREEN, 3), (2, RED, 2)), ((1, GREEN, 2), (1, RED, 1), (2, RED, 2)))
    assert list_text(day) == "sow=1:green_oakleaf:3,2:red_oakleaf:2 pull=1:3,2:2"
    assert list_text(_day(0, (), ())) == "none"
