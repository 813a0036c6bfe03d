"""Percentiles, classes and the Pareto: against another implementation, and by what must hold."""

from __future__ import annotations

import statistics
from itertools import pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st

from linectl.crop.spread import histogram, pareto, percentile

VALUES = st.lists(st.integers(0, 500_000), min_size=2, max_size=60)


@given(VALUES, st.integers(1, 99))
def test_percentiles_are_those_of_the_standard_library(values, percent):
    """statistics.quantiles(method="inclusive") is the same rule, type 7 of Hyndman and Fan."""
    cut = statistics.quantiles(values, n=100, method="inclusive")[percent - 1]
    assert percentile(values, percent / 100) == pytest.approx(cut)


def test_of_one_value_every_percentile_is_it_and_of_none_there_is_none():
    assert percentile([7], 0.95) == 7
    assert percentile([], 0.5) is None
    with pytest.raises(ValueError, match="outside 0 to 1"):
        percentile([1], 1.5)


@given(VALUES, st.integers(1, 9_000))
def test_each_value_is_in_one_class_of_the_histogram(values, width):
    classes = histogram(values, width)
    assert sum(c.found for c in classes) == len(values)
    for c in classes:
        assert c.found == sum(c.start <= value < c.end for value in values) > 0
    assert all(one.end <= other.start for one, other in pairwise(classes))


def test_a_pareto_ranks_sums_and_adds_their_shares_up():
    parts = pareto([(("a",), 10), (("b",), 60), (("a",), 20), (("c",), 10)])
    assert [(p.name[0], p.total, p.times, p.longest) for p in parts] == [
        ("b", 60, 1, 60), ("a", 30, 2, 20), ("c", 10, 1, 10),
    ]  # fmt: skip
    assert [p.cumulative for p in parts] == pytest.approx([0.6, 0.9, 1.0])


def test_a_pareto_of_nothing_is_empty_and_one_of_noughts_has_no_shares():
    assert pareto([]) == []
    assert [(p.share, p.cumulative) for p in pareto([(("a",), 0)])] == [(0.0, 0.0)]
