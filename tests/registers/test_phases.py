"""Slow requests are spread over the polls, and no poll is counted lighter than it can be."""

from __future__ import annotations

import math

from hypothesis import given
from hypothesis import strategies as st

from linectl.registers.phases import POLLS_MAX, PollTable


def test_requests_of_one_class_take_polls_of_their_own() -> None:
    table = PollTable([1, 4, 4, 4, 4])
    table.add(1, 0, 10.0)
    phases = []
    for _ in range(4):
        phase = table.lightest(4)
        phases.append(phase)
        table.add(4, phase, 5.0)
    assert phases == [0, 1, 2, 3]
    assert table.fullest == 15.0


def test_a_long_request_keeps_its_polls_to_itself_as_long_as_others_are_free() -> None:
    table = PollTable([2, 4, 4])
    table.add(2, table.lightest(2), 30.0)
    phases = [table.lightest(4)]
    table.add(4, phases[0], 10.0)
    phases.append(table.lightest(4))
    table.add(4, phases[1], 10.0)
    assert phases == [1, 3]
    assert table.fullest == 30.0


def test_the_load_of_a_request_is_that_of_its_own_polls() -> None:
    table = PollTable([2, 2, 1])
    table.add(2, 0, 7.0)
    assert (table.most(2, 0), table.most(2, 1)) == (7.0, 0.0)
    table.add(2, 1, 5.0)
    table.add(1, 0, 1.0)
    assert (table.most(2, 0), table.most(2, 1), table.most(1, 0)) == (8.0, 6.0, 8.0)
    assert table.fullest == 8.0


loads = st.lists(st.tuples(st.integers(1, 12), st.floats(0.1, 50)), min_size=1, max_size=12)


@given(loads)
def test_the_fullest_poll_is_the_fullest_of_all_that_come(
    entries: list[tuple[int, float]],
) -> None:
    table = PollTable(every for every, _ in entries)
    placed = []
    for every, ms in entries:
        phase = table.lightest(every)
        assert 0 <= phase < every
        table.add(every, phase, ms)
        placed.append((every, phase, ms))
    polls = [
        sum(ms for every, phase, ms in placed if poll % every == phase) for poll in range(27_720)
    ]
    assert table.fullest >= max(polls) - 1e-6
    if math.lcm(*(every for every, _ in entries)) <= POLLS_MAX:
        assert table.fullest <= max(polls) + 1e-6


def test_periods_that_hardly_ever_meet_are_counted_as_if_they_did() -> None:
    everies = [97, 89, 101]  # together they repeat after 871 933 polls, more than are laid out
    table = PollTable(everies)
    for every in everies:
        table.add(every, table.lightest(every), 5.0)
    assert table.fullest == 15.0
