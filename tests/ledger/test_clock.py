"""When a boot begins in ledger time: whatever was done to the wall clock and to the computer."""

from __future__ import annotations

import dataclasses
import datetime as dt
import itertools

import pytest
from hypothesis import given
from hypothesis import strategies as st

from linectl.ledger import clock
from linectl.ledger.clock import OFF_MAX_MS, SLACK_MS, Clock, Last, Look, decide, differs

HOUR, DAY = 3_600_000, 86_400_000
T0 = 1_790_000_000_000  # 2026-09-21 14:13:20 UTC
RAN = 2 * HOUR
BEFORE = Last(T0, T0, 60_000, "kernel a", T0 + RAN)
"""A boot that began at T0, a minute after its kernel, and wrote its last row two hours later."""


def restarted(after, set_by=0):
    """The same kernel, `after` ms from the boot's start; the wall clock was set by `set_by`."""
    return Look(T0 + after + set_by, 60_000 + after, "kernel a")


def power_cut(after, set_by=0):
    """Another kernel, half a minute old."""
    return Look(T0 + after + set_by, 30_000, "kernel b")


def test_a_first_start_is_at_the_wall_clock():
    assert decide(Look(T0, 5, "kernel a"), None) == (T0, None)


@pytest.mark.parametrize("set_by", [0, -DAY, 365 * DAY, HOUR, -900])
def test_while_the_kernel_runs_what_was_done_to_the_wall_clock_does_not_count(set_by):
    assert decide(restarted(RAN + HOUR, set_by), BEFORE) == (T0 + RAN + HOUR, None)


def test_after_a_power_cut_the_wall_clock_says_how_long_it_was_off():
    assert decide(power_cut(RAN + 3 * DAY), BEFORE) == (T0 + RAN + 3 * DAY, None)


def test_a_clock_set_back_a_day_cannot_put_a_boot_before_the_record():
    begun = decide(power_cut(RAN + HOUR, -DAY), BEFORE)
    assert begun.started_ms == T0 + RAN + 1
    assert (begun.finding.kind, begun.finding.asks) == ("behind", False)
    assert begun.finding.seconds == (23 * HOUR) // 1000
    assert "23h before the last row" in begun.finding.text


def test_a_clock_that_is_a_second_slow_is_no_finding():
    assert decide(power_cut(RAN, -900), BEFORE) == (T0 + RAN + 1, None)


def test_a_year_forward_is_asked_about_and_no_time_passes_until_it_is_answered():
    begun = decide(power_cut(RAN + HOUR, 365 * DAY), BEFORE)
    assert begun.started_ms == T0 + RAN + 1
    assert (begun.finding.kind, begun.finding.asks) == ("ahead", True)
    assert "off for 365 days: is that right?" in begun.finding.text


def test_seven_days_off_are_believed_and_not_a_minute_more():
    assert decide(power_cut(RAN + OFF_MAX_MS), BEFORE).finding is None
    assert decide(power_cut(RAN + OFF_MAX_MS + 60_000), BEFORE).finding.kind == "ahead"


def doubted(kind, look, answer=""):
    """The boot that began at `look` with a finding, as the next one finds it an hour later."""
    begun = decide(look, BEFORE)
    assert begun.finding.kind == kind
    recorded = begun.started_ms + HOUR
    return Last(
        begun.started_ms, look.wall_ms, look.uptime_ms, look.machine, recorded, kind, answer
    )


def later(look, ms, set_by=0):
    return Look(look.wall_ms + ms + set_by, look.uptime_ms + ms, look.machine)


def test_yes_it_was_off_for_so_long_counts_the_time_from_the_next_start_on():
    year = power_cut(RAN, 365 * DAY)
    again = later(year, 2 * HOUR)
    assert decide(again, doubted("ahead", year, "right")) == (again.wall_ms, None)


def test_no_the_clock_is_wrong_is_not_asked_again_and_ages_go_on_by_the_kernels_clock():
    year = power_cut(RAN, 365 * DAY)
    begun = decide(later(year, 2 * HOUR), doubted("ahead", year, "wrong"))
    assert begun.started_ms == T0 + RAN + 1 + 2 * HOUR
    assert (begun.finding.kind, begun.finding.asks) == ("said_wrong", False)


def test_an_answer_is_about_one_clock_and_not_about_the_next_wrong_one():
    year = power_cut(RAN, 365 * DAY)
    for answer in ("right", "wrong"):
        begun = decide(later(year, 2 * HOUR, 400 * DAY), doubted("ahead", year, answer))
        assert begun.finding.kind == "ahead", answer


@pytest.mark.parametrize(("kind", "set_by"), [("ahead", 365 * DAY), ("behind", -2 * DAY)])
def test_a_clock_put_right_ends_the_finding_at_the_next_start(kind, set_by):
    off = power_cut(RAN + HOUR, set_by)
    for answer in ("", "wrong"):
        begun = decide(later(off, 2 * HOUR, -set_by), doubted(kind, off, answer))
        assert begun == (T0 + RAN + HOUR + 2 * HOUR, None)  # true time again, the cut included


def test_a_computer_set_back_to_an_older_state_of_itself_is_taken_as_a_power_cut():
    assert decide(Look(T0 + DAY, 59_000, "kernel a"), BEFORE) == (T0 + DAY, None)


def test_where_no_kernel_tells_its_name_the_wall_clock_must_do():
    nameless = BEFORE._replace(machine="")
    assert decide(Look(T0 + DAY, 999_999_999, ""), nameless) == (T0 + DAY, None)


def test_a_change_of_summer_time_is_no_change():
    # In the EU clocks go back on the last Sunday of October at 01:00 UTC (Directive 2000/84/EC):
    # in Central Europe half past two comes twice, first two hours from UTC, then one.
    half_past_two = dt.datetime(2026, 10, 25, 2, 30)
    first, second = (
        round(half_past_two.replace(tzinfo=dt.timezone(dt.timedelta(hours=h))).timestamp() * 1000)
        for h in (2, 1)
    )
    last = Last(first, first, 60_000, "kernel a", first + 1000)
    assert decide(Look(second, 30_000, "kernel b"), last) == (first + HOUR, None)


def test_the_remark_says_how_far_wall_clock_and_ledger_are_apart():
    assert differs(T0, T0 + SLACK_MS) is None
    assert differs(T0, T0 - SLACK_MS) is None
    assert "is 3 days ahead of the ledger's time" in differs(T0, T0 + 3 * DAY)
    assert "is 2h behind the ledger's time" in differs(T0, T0 - 2 * HOUR)


def test_a_time_that_no_calendar_has_is_told_as_a_number():
    assert clock.told(10**18) == f"{10**18} ms"
    assert clock.told(0) == "1970-01-01 00:00 UTC"


def test_this_computers_clocks_go_forward_and_have_a_kernels_name():
    own = clock.system_clock()
    first, second = own.look(), own.look()
    assert second.uptime_ms >= first.uptime_ms > 0
    assert first.machine == second.machine == clock.system_clock().machine
    assert len(first.machine) == 36  # a UUID, random(4)
    with pytest.raises(dataclasses.FrozenInstanceError):
        own.machine = "another"
    assert Clock(lambda: T0).look() == (T0, 0, "")


# ---- chains of boots --------------------------------------------------------------------------

STEP = st.tuples(
    st.integers(0, 3 * DAY),  # runs for
    st.integers(0, 20 * DAY),  # is off for
    st.booleans(),  # the kernel started anew
    st.one_of(st.just(0), st.integers(-400 * DAY, 400 * DAY), st.integers(-2000, 2000)),  # set by
    st.sampled_from(["", "right", "wrong"]),
)


def boots(steps):
    """Each boot of a chain: (true time, what was seen, what was decided, the boot before)."""
    true, error, kernel, kernel_since = T0, 0, 0, T0 - 60_000
    last = None
    for run, off, new_kernel, set_by, answer in steps:
        if new_kernel:
            kernel, kernel_since = kernel + 1, true - 30_000
        error += set_by
        look = Look(true + error, true - kernel_since, f"kernel {kernel}")
        begun = decide(look, last)
        yield true, look, begun, last
        doubt = begun.finding.kind if begun.finding else ""
        last = Last(begun.started_ms, *look, begun.started_ms + run, doubt, answer)
        true += run + off


@given(st.lists(STEP, max_size=12))
def test_ledger_time_never_goes_back_and_each_boot_begins_after_the_record(steps):
    for _, _, begun, last in boots(steps):
        assert last is None or begun.started_ms > last.recorded_ms


@given(st.lists(STEP, max_size=12))
def test_in_one_run_of_the_kernel_the_ledger_counts_the_true_time_whatever_was_set(steps):
    chain = list(boots([(run, off, False, set_by, "") for run, off, _, set_by, _ in steps]))
    for (true, _, begun, _), (next_true, _, next_begun, _) in itertools.pairwise(chain):
        assert next_begun.finding is None
        passed = next_true - true
        # A boot that ran to its end and was off for no time begins a millisecond later.
        assert next_begun.started_ms - begun.started_ms in (passed, passed + 1)


@given(st.lists(STEP, max_size=12))
def test_with_a_wall_clock_that_is_right_ledger_time_is_the_true_time(steps):
    short = [(run, off % OFF_MAX_MS + 1, new, 0, "") for run, off, new, _, _ in steps]
    for true, _, begun, _ in boots(short):
        assert begun == (true, None)


@given(st.lists(STEP, max_size=12))
def test_ages_never_grow_by_more_than_a_week_off_unless_a_person_says_so(steps):
    for _, look, begun, last in boots(steps):
        if last is None or last.answer == "right":
            continue
        if look.machine == last.machine:
            ran_on = look.uptime_ms - last.uptime_ms + last.started_ms
            assert begun.started_ms <= max(ran_on, last.recorded_ms + 1) + OFF_MAX_MS
        else:
            assert begun.started_ms <= last.recorded_ms + 1 + OFF_MAX_MS
