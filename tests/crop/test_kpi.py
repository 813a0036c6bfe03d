"""Availability, effectiveness, quality ratio, OEE index: against a worked example."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from linectl.crop.kpi import Terms, figures

MINUTE = 60_000


def test_the_worked_example():
    """480 min planned busy, 400 producing, 0.5 min a piece, 720 produced, 684 good.

    Terms and formulas: ISO 22400-2:2014 as quoted in OPC 40501-1 v1.01, Annex C.2.4. The example's
    own numbers are computed here by hand: 400/480, 0.5·720/400, 684/720, 684·0.5/480.
    """
    found = figures(Terms(480 * MINUTE, 400 * MINUTE, 0.5 * MINUTE, 720, 684))
    assert found.availability == pytest.approx(0.8333, abs=5e-5)
    assert found.effectiveness == pytest.approx(0.90)
    assert found.quality_ratio == pytest.approx(0.95)
    assert found.oee_index == pytest.approx(0.7125)


def test_a_line_faster_than_planned_is_more_than_one_and_says_so():
    found = figures(Terms(100, 50, 2, 30, 30))
    assert found.effectiveness == pytest.approx(1.2)
    assert figures(Terms(50, 50, 2, 30, 30)).oee_index == pytest.approx(1.2)


def test_a_shift_without_a_gutter_has_an_index_of_nought_and_no_quality():
    found = figures(Terms(100, 0, 2, 0, 0))
    assert (found.availability, found.effectiveness) == (0, None)
    assert (found.quality_ratio, found.oee_index) == (None, 0)


def test_no_busy_time_was_planned_so_nothing_can_be_said_of_it():
    found = figures(Terms(0, 0, 2, 0, 0))
    assert (found.availability, found.oee_index) == (None, None)


@pytest.mark.parametrize("wrong", [(-1, 0, 1, 0, 0), (1, 1, 1, -1, -1), (1, 1, 1, 2, 3)])
def test_terms_that_cannot_be_are_refused(wrong):
    with pytest.raises(ValueError, match=r"below zero|good of"):
        Terms(*wrong)


@given(
    st.floats(1, 1e8), st.floats(1, 1e8), st.floats(1, 1e6), st.integers(1, 5000), st.data()
)  # fmt: skip
def test_the_index_is_the_product_of_the_three(pbt, apt, pri, produced, data):
    good = data.draw(st.integers(0, produced))
    found = figures(Terms(pbt, apt, pri, produced, good))
    product = found.availability * found.effectiveness * found.quality_ratio
    assert found.oee_index == pytest.approx(product)
