"""Histograms against sorted values; answers that grow late against their window."""

from __future__ import annotations

import bisect

import pytest
from hypothesis import given
from hypothesis import strategies as st

from linectl.field.measures import EDGES_MS, Histogram, Lateness

VALUES = st.lists(
    st.one_of(st.floats(0, 8000), st.sampled_from([float(edge) for edge in EDGES_MS])), min_size=1
)


def filled(values: list[float]) -> Histogram:
    histogram = Histogram()
    for value in values:
        histogram.add(value)
    return histogram


@given(VALUES, st.sampled_from([0.01, 0.25, 0.5, 0.9, 0.99, 1.0]))
def test_a_share_is_told_as_its_classs_upper_edge(values: list[float], share: float) -> None:
    ordered = sorted(values)
    rank = next(k for k in range(1, len(ordered) + 1) if k >= share * len(ordered))
    true = ordered[rank - 1]
    place = bisect.bisect_left(EDGES_MS, true)
    edge = float(EDGES_MS[place]) if place < len(EDGES_MS) else float("inf")
    told = filled(values).below(share)
    assert told == min(edge, ordered[-1])
    assert true <= told


@given(VALUES)
def test_no_value_is_lost_and_the_worst_is_exact(values: list[float]) -> None:
    histogram = filled(values)
    assert sum(histogram.classes().values()) == len(values)
    spread = histogram.spread()
    assert spread.values == len(values)
    assert spread.half <= spread.most <= spread.worst == max(values)


@pytest.mark.parametrize(
    ("value", "name"),
    [(0, "≤1"), (1, "≤1"), (1.001, "≤2"), (5, "≤5"), (5000, "≤5000"), (5000.1, ">5000")],
)
def test_an_edge_belongs_to_its_own_class(value: float, name: str) -> None:
    assert filled([value]).classes() == {name: 1}


def test_of_nothing_nothing_is_told() -> None:
    assert Histogram().spread() == (0, 0.0, 0.0, 0.0, {})
    assert Histogram().classes() == {}


def test_a_time_below_nothing_does_not_make_the_spread_negative() -> None:
    """A wire that is faster than its own arithmetic may measure one."""
    assert filled([-0.4, -0.1]).spread()[:4] == (2, 0.0, 0.0, 0.0)


TIMEOUT_MS = 50.0
WELL, NEAR = 10.0, 31.0


def answered(lateness: Lateness, *latencies: float) -> Lateness:
    for latency in latencies:
        lateness.answered(latency)
    return lateness


def test_a_single_slow_answer_is_chance() -> None:
    lateness = answered(Lateness(TIMEOUT_MS), *[WELL] * 50, NEAR, WELL, NEAR)
    assert lateness.rising == ""


def test_the_third_slow_answer_is_told_in_words() -> None:
    lateness = answered(Lateness(TIMEOUT_MS), WELL, NEAR, 44.0, NEAR)
    assert lateness.rising == (
        "3 of its last 4 answers took more than 60% of the time-out of 50 ms (worst 44 ms)"
    )


def test_exactly_the_limit_is_not_near() -> None:
    assert answered(Lateness(TIMEOUT_MS), *[30.0] * 10).rising == ""


def test_late_answers_count_as_slow_ones_with_what_they_took() -> None:
    lateness = Lateness(TIMEOUT_MS)
    for _ in range(3):
        lateness.came_late(12.0)
    assert lateness.late == 3
    assert "worst 62 ms" in lateness.rising


def test_slow_answers_are_forgotten_with_their_window() -> None:
    lateness = answered(Lateness(TIMEOUT_MS), NEAR, NEAR, NEAR)
    answered(lateness, *[WELL] * (Lateness.WINDOW - 3))
    assert lateness.rising
    assert not answered(lateness, WELL).rising


@given(st.lists(st.sampled_from([WELL, NEAR]), max_size=700))
def test_the_count_is_always_that_of_the_window(latencies: list[float]) -> None:
    lateness = answered(Lateness(TIMEOUT_MS), *latencies)
    near = latencies[-Lateness.WINDOW :].count(NEAR)
    assert bool(lateness.rising) is (near >= Lateness.NEAR_COUNT)
    if lateness.rising:
        assert lateness.rising.startswith(f"{near} of its last ")
