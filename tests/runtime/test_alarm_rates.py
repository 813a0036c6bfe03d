"""The measures of alarms, worked by hand, and against a recount that walks every second.

Limits [M] ISA-18.2-2016 / IEC 62682, from memory: flood more than 10 in 10 minutes until fewer than
5, chattering three in a minute, stale over 24 h, about 80/15/5 % low, medium, high.
"""

from __future__ import annotations

from hypothesis import given
from hypothesis import strategies as st

from linectl.image import Event
from linectl.runtime.account import Account
from linectl.runtime.alarm_rates import CHANGES_MAX, AlarmLog, Change, floods, rates

MIN = 60_000
HOUR = 60 * MIN


def rung(*minutes: float, tag: str = "a", priority: str = "low") -> list[Change]:
    """An alarm that comes at these minutes, each gone and acknowledged before the next."""
    return [Change(round(m * MIN), tag, priority, "unacknowledged", True, True) for m in minutes]


def test_twelve_alarms_in_two_hours_are_one_in_ten_minutes():
    found = rates(rung(*range(5, 120, 10)), 0, 2 * HOUR)
    assert found["alarms"] == 12
    assert found["per_10min"] == {"mean": 1.0, "most": 1, "counts": [1] * 12}
    assert found["per_hour"] == {"mean": 6.0, "most": 6, "counts": [6, 6]}
    assert found["floods"] == found["chattering"] == found["stale"] == []


def test_the_periods_count_from_the_beginning_and_the_last_may_be_short():
    found = rates(rung(0, 9.99, 10, 25), 0, 25 * MIN)
    assert found["per_10min"]["counts"] == [2, 1, 1]
    assert found["per_10min"]["mean"] == 1.6  # 4 in 25 minutes


def test_nothing_happened_gives_no_shares():
    found = rates([], 0, HOUR)
    assert found["alarms"] == 0
    assert found["priorities"]["high"]["share"] is None
    assert found["top"] == []


def test_a_flood_begins_with_the_eleventh_and_ends_when_fewer_than_five_are_left():
    """Eleven, one a minute from 0 to 10 min: at minute 10 the one at 0 has just gone out of sight,
    so eleven never stand within ten minutes; at half a minute apart they do."""
    assert floods([m * MIN for m in range(11)], HOUR) == []
    half = [m * MIN // 2 for m in range(11)]  # the eleventh at 5 min, the fifth last at 3 min
    assert floods(half, HOUR) == [{"from_s": 300.0, "to_s": 780.0, "alarms": 11}]
    assert floods(half, 12 * MIN) == [{"from_s": 300.0, "to_s": None, "alarms": 11}]


def test_a_flood_goes_on_while_five_come_in_ten_minutes():
    times = [m * MIN // 2 for m in range(11)] + [m * MIN for m in (7, 9, 11, 13, 15, 17)]
    # after 17 min none comes: the fifth last, at 9 min, is ten minutes old at 19 min
    assert floods(times, HOUR) == [{"from_s": 300.0, "to_s": 1140.0, "alarms": 17}]


def test_a_flood_astride_two_regular_periods_is_found():
    times = [m * MIN for m in (6, 7, 8, 8.5, 9, 9.5, 10, 10.5, 11, 12, 13)]
    counts = rates(rung(*(t / MIN for t in times)), 0, HOUR)["per_10min"]["counts"]
    assert max(counts) == 6
    assert len(floods(times, HOUR)) == 1


def test_three_in_a_minute_chatter_and_two_do_not():
    found = rates(rung(1, 1.4, 1.9) + rung(2, 2.9, 3.8, tag="b"), 0, HOUR)["chattering"]
    assert found == [{"tag": "a", "times": 3, "most_in_a_minute": 3}]


def test_an_alarm_in_force_for_more_than_a_day_is_stale():
    changes = [
        Change(0, "old", "low", "unacknowledged", True, True),
        Change(HOUR, "old", "low", "acknowledged", True, False),
        Change(2 * HOUR, "new", "low", "unacknowledged", True, True),
        Change(3 * HOUR, "shelved", "low", "shelved", True, False),
        Change(25 * HOUR, "old", "low", "normal", False, False),
    ]
    assert rates(changes, 0, 24 * HOUR)["stale"] == []
    assert rates(changes, 0, 26 * HOUR)["stale"] == [
        {"tag": "old", "from_s": 0.0, "to_s": 90_000.0}
    ]
    assert rates(changes, 0, 27 * HOUR)["stale"][1] == {
        "tag": "new", "from_s": 7_200.0, "to_s": None
    }  # fmt: skip


def test_priorities_stand_beside_their_targets():
    changes = rung(*range(16)) + rung(20, 21, 22, tag="b", priority="medium")
    found = rates(changes + rung(30, tag="c", priority="high"), 0, HOUR)["priorities"]
    assert found["low"] == {"times": 16, "share": 0.8, "target": 0.8}
    assert found["medium"] == {"times": 3, "share": 0.15, "target": 0.15}
    assert found["high"] == {"times": 1, "share": 0.05, "target": 0.05}


def test_the_top_ten_are_those_that_came_most_often():
    changes = [c for n in range(12) for c in rung(*range(n + 1), tag=f"t{n:02d}")]
    found = rates(sorted(changes), 0, HOUR)["top"]
    assert [row["tag"] for row in found] == [f"t{n:02d}" for n in range(11, 1, -1)]
    assert found[0] == {"tag": "t11", "times": 12, "share": round(12 / 78, 4)}


def test_the_end_counts_what_stands_and_what_is_put_aside():
    changes = [
        Change(0, "a", "low", "unacknowledged", True, True),
        Change(1, "b", "low", "acknowledged", True, False),
        Change(2, "c", "low", "returned_unacknowledged", False, False),
        Change(3, "d", "low", "shelved", False, False),
        Change(4, "e", "low", "suppressed_by_design", True, False),
        Change(5, "f", "low", "suppressed_by_design", False, False),
        Change(6, "g", "low", "out_of_service", True, False),
        Change(9, "a", "low", "latched_unacknowledged", True, False),
    ]
    assert rates(changes, 0, HOUR)["now"] == {
        "standing": 2, "unacknowledged": 2, "shelved": 1, "suppressed_by_design": 1,
        "out_of_service": 1,
    }  # fmt: skip


# against a recount -----------------------------------------------------------------------------

SECONDS = st.lists(st.integers(0, 3_600), max_size=60).map(sorted)


def floods_second_by_second(seconds: list[int], until: int) -> list[tuple[int, int | None]]:
    found: list[tuple[int, int | None]] = []
    on = False
    for now in range(until + 1):
        window = sum(now - 600 < at <= now for at in seconds)
        if not on and window > 10:
            on = True
            found.append((now, None))
        elif on and window < 5:
            on = False
            found[-1] = (found[-1][0], now)
    return found


@given(SECONDS)
def test_floods_are_those_of_a_walk_through_every_second(seconds):
    told = floods([at * 1000 for at in seconds], 4_500_000)
    spans = [(row["from_s"], row["to_s"]) for row in told]
    assert spans == floods_second_by_second(seconds, 4_500)


@given(st.lists(st.tuples(st.integers(0, 1_200), st.sampled_from("abc")), max_size=30))
def test_rates_shares_and_chattering_are_those_of_a_plain_recount(said):
    changes = [
        Change(
            at * 1000,
            tag,
            {"a": "low", "b": "medium", "c": "high"}[tag],
            state,
            True,
            state[0] == "u",
        )
        for at, tag in sorted(said)
        for state in ("unacknowledged", "acknowledged")
    ]
    found = rates(changes, 0, 1_200_000)
    assert found["alarms"] == len(said)
    assert sum(found["per_10min"]["counts"]) == sum(found["per_hour"]["counts"]) == len(said)
    assert sum(row["times"] for row in found["priorities"].values()) == len(said)
    for period in range(2):
        last = period == 1
        inside = [s for s, _ in said if period * 600 <= s < period * 600 + 600 + last]
        assert found["per_10min"]["counts"][period] == len(inside)
    chatter = {
        tag
        for tag in "abc"
        for second in range(1_201)
        if sum(tag == t and second <= s < second + 60 for s, t in said) >= 3
    }
    assert {row["tag"] for row in found["chattering"]} == chatter


# where the changes come from -------------------------------------------------------------------


def event(at: int, state: str, tag: str = "a", was: str = "") -> Event:
    data = {"priority": "low", "state": state, "was": was, "by": "", "why": "", "in_force": True}
    return Event(at, "alarm_state", tag, "text", data)


def test_a_running_controller_keeps_a_limited_record_and_says_from_when_it_is_whole():
    log = AlarmLog()
    log.take(event(at, "unacknowledged") for at in range(CHANGES_MAX))
    assert log.since == 0
    log.take([event(CHANGES_MAX, "acknowledged"), Event(1, "note", "x", "not an alarm", {})])
    assert len(log.changes()) == CHANGES_MAX
    assert log.since == log.changes()[0].at == 1


def test_a_shifts_account_measures_its_alarms():
    account = Account()
    account.take([event(MIN, "unacknowledged"), event(2 * MIN, "acknowledged")], [])
    assert account.alarm_rates(HOUR)["alarms"] == 1
    assert account.alarm_rates(HOUR)["now"]["standing"] == 1


def test_an_alarm_that_is_shown_again_counts_again_also_if_only_its_latch_is_left():
    account = Account()
    account.take(
        [
            event(1, "unacknowledged"),
            event(2, "shelved", was="unacknowledged"),
            event(3, "latched_unacknowledged", was="shelved"),
            event(4, "unacknowledged", was="latched_unacknowledged"),
            event(5, "latched_unacknowledged", was="unacknowledged"),
        ],
        [],
    )
    assert account.alarm_rates(HOUR)["alarms"] == 3
