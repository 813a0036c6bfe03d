"""The account of a shift: how long each unit waited and why, from the line's own events."""

from __future__ import annotations

from linectl.image import Event, Move
from linectl.runtime.account import Account


def unit(at_s, state, reason=""):
    data = {"mode": "production", "state": state, "reason": reason}
    return Event(at_s * 1000, "unit", "sowing", f"sowing {state}", data)


def test_a_wait_lasts_until_the_unit_works_again_and_keeps_its_first_reason():
    account = Account()
    account.take([unit(0, "Execute"), unit(100, "Suspending", "no freed slot in lanes 1, 2")], [])
    account.take([unit(130, "Suspended", "no freed slot in lanes 1, 2")], [])
    account.take([unit(700, "Unsuspending", "carries on"), unit(703, "Execute")], [])
    assert account.waits() == [
        {
            "unit": "sowing",
            "state": "Suspended",
            "reason": "no freed slot in lanes 1, 2",
            "lane": None,
            "from_s": 100.0,
            "to_s": 703.0,
        }
    ]
    assert account.waiting_s("sowing", 1_000_000) == 603.0
    assert account.waiting_s("harvest", 1_000_000) == 0


def test_suspended_that_becomes_held_is_two_waits_and_an_open_one_lasts_to_the_end():
    account = Account()
    account.take([unit(10, "Suspending", "packing not ready"), unit(20, "Suspended")], [])
    account.take([unit(320, "Holding", "a person starts it again"), unit(321, "Held")], [])
    found = [(row["state"], row["from_s"], row["to_s"]) for row in account.waits()]
    assert found == [("Suspended", 10.0, 320.0), ("Held", 320.0, None)]
    assert account.waiting_s("sowing", 400_000) == 390.0


def test_after_an_abort_the_wait_lasts_through_clear_reset_and_start():
    account = Account()
    account.take([unit(5, "Execute"), unit(10, "Aborting", "guard open"), unit(11, "Aborted")], [])
    account.take([unit(60, "Clearing"), unit(60, "Stopped"), unit(70, "Resetting")], [])
    account.take([unit(70, "Idle"), unit(80, "Starting"), unit(84, "Execute")], [])
    found = [(r["state"], r["reason"], r["from_s"], r["to_s"]) for r in account.waits()]
    assert found == [("Aborted", "guard open", 10.0, 84.0)]


def test_every_state_is_kept_with_its_time():
    account = Account()
    account.take([unit(0, "Stopped"), unit(5, "Resetting"), unit(5, "Idle")], [])
    found = [(row["state"], row["from_s"], row["to_s"]) for row in account.states()]
    assert found == [("Stopped", 0.0, 5.0), ("Resetting", 5.0, 5.0), ("Idle", 5.0, None)]


def test_an_alarm_that_comes_twice_is_two_alarms():
    account = Account()
    data = {"priority": "high", "first_out": True, "do": "close it"}
    for at in (1, 3):
        account.take([Event(at * 1000, "alarm_on", "guard_seed", "guard open", data)], [])
        account.take([Event(at * 1000 + 500, "alarm_off", "guard_seed", "guard open", {})], [])
    account.take([Event(9000, "alarm_on", "air", "air lost", data)], [])
    found = [(row["tag"], row["from_s"], row["to_s"]) for row in account.alarms()]
    assert found == [("guard_seed", 1.0, 1.5), ("guard_seed", 3.0, 3.5), ("air", 9.0, None)]


def test_gutters_in_and_out_are_counted_per_five_minutes_when_done():
    account = Account()
    for number, (kind, at_s, done) in enumerate(
        [("insert", 10, True), ("insert", 299, False), ("insert", 300, True), ("eject", 301, True)]
    ):
        account.take([], [Move(number, kind, 1, "a", "b", "oak", done, at_s * 1000)])
    assert account.flow(600_000) == [
        {"from_s": 0.0, "indexed": 1, "ejected": 0},
        {"from_s": 300.0, "indexed": 1, "ejected": 1},
    ]
