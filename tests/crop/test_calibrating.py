"""What runs say: Student's t, Grubbs' test and least squares against published figures."""

from __future__ import annotations

import random
from statistics import fmean, stdev

import pytest
from scipy import stats

from linectl.crop import calibrating, student_t
from linectl.crop.calibrating import line_through, odd_one, stated


# NIST/SEMATECH e-Handbook of Statistical Methods, 1.3.6.7.2, two-sided 95 % (upper 0.975)
@pytest.mark.parametrize(
    ("freedom", "t"),
    [(1, 12.706), (2, 4.303), (3, 3.182), (4, 2.776), (5, 2.571), (10, 2.228), (30, 2.042)],
)
def test_quantiles_of_t_are_those_of_the_published_table(freedom: int, t: float) -> None:
    assert student_t.quantile(0.95, freedom) == pytest.approx(t, abs=5e-4)


def test_quantiles_of_t_are_those_of_another_program() -> None:
    for freedom in (1, 2, 3, 4, 7, 8, 25, 100):
        for confidence in (0.5, 0.9, 0.95, 0.99, 0.9995):
            expected = stats.t.ppf(0.5 + confidence / 2, freedom)
            assert student_t.quantile(confidence, freedom) == pytest.approx(expected, rel=1e-9)


def test_a_set_is_stated_with_its_mean_and_what_it_is_known_to() -> None:
    # by hand: mean 1, s 0.02, t(95 %, 2) 4.303, 4.303 · 0.02 / √3 = 0.0497
    found = stated([0.98, 1.00, 1.02])
    assert found.value == pytest.approx(1)
    assert found.spread == pytest.approx(0.02)
    assert found.uncertainty == pytest.approx(0.0497, abs=1e-4)
    # one more run: 4.303 · 0.02 · √(1 + 1/3) = 0.0994
    assert found.within_next() == pytest.approx(0.0994, abs=1e-4)


def test_the_stated_interval_holds_the_truth_in_95_of_100_sets_of_any_size() -> None:
    chance = random.Random(7)
    for runs in (3, 4, 6, 9):
        held = 0
        for _ in range(2000):
            found = stated([chance.gauss(1.08, 0.02) for _ in range(runs)])
            held += abs(found.value - 1.08) <= found.uncertainty
        least, most = stats.binom.interval(0.999, 2000, 0.95)
        assert least <= held <= most, runs


# Grubbs -----------------------------------------------------------------------------------------

TIETJEN_MOORE = [199.31, 199.53, 200.19, 200.82, 201.92, 201.95, 202.18, 245.57]
"""NIST/SEMATECH e-Handbook 1.3.5.17.1: G = 2.4687, one-sided critical value at 5 % 2.032."""


def test_grubbs_test_finds_the_handbooks_outlier_with_its_figures() -> None:
    found = odd_one(TIETJEN_MOORE)
    assert found is not None
    assert (found.place, found.how) == (7, "outlier")
    assert found.g == pytest.approx(2.4687, abs=1e-4)
    # one-sided at 5 % is two-sided at 10 %
    assert calibrating.grubbs_critical(8, 0.10) == pytest.approx(2.032, abs=1e-3)


# two-sided 5 %: Grubbs and Beck, Technometrics 14, 1972, table I, upper 2.5 % (from memory)
@pytest.mark.parametrize(
    ("runs", "critical"), [(3, 1.155), (4, 1.481), (5, 1.715), (6, 1.887), (8, 2.126), (10, 2.290)]
)
def test_critical_values_are_those_of_the_published_table(runs: int, critical: float) -> None:
    assert calibrating.grubbs_critical(runs, 0.05) == pytest.approx(critical, abs=1e-3)


def test_healthy_sets_have_an_outlier_once_in_a_hundred_and_a_straggler_in_twenty() -> None:
    chance = random.Random(3)
    found = [odd_one([chance.gauss(1, 0.01) for _ in range(6)]) for _ in range(4000)]
    outliers = sum(one is not None and one.how == "outlier" for one in found)
    odd = sum(one is not None for one in found)
    for count, share in ((outliers, 0.01), (odd, 0.05)):
        least, most = stats.binom.interval(0.999, 4000, share)
        assert least <= count <= most


@pytest.mark.parametrize("runs", [4, 6, 9])
def test_what_the_test_cannot_see_is_told_where_it_begins_to(runs: int) -> None:
    far = calibrating.hidden_outlier(runs)
    others = [(-1) ** place * 1.0 for place in range(runs - 1)]
    middle, scatter = fmean(others), stdev(others)
    near = [*others, middle + 0.99 * far * scatter]
    beyond = [*others, middle + 1.01 * far * scatter]
    assert (found := odd_one(near)) is None or found.how == "straggler"
    assert (found := odd_one(beyond)) is not None and found.how == "outlier"


def test_of_two_runs_none_is_odd_and_of_equal_ones_neither() -> None:
    assert odd_one([1.0, 2.0]) is None
    assert odd_one([1.0, 1.0, 1.0]) is None


# lines ------------------------------------------------------------------------------------------

NORRIS = """
0.1 0.2 338.8 337.4 118.1 118.2 888.0 884.6 9.2 10.1 228.1 226.5 668.5 666.3 998.5 996.3
449.1 448.6 778.9 777.0 559.2 558.2 0.3 0.4 0.1 0.6 778.1 775.5 668.8 666.9 339.3 338.0
448.9 447.5 10.8 11.6 557.7 556.0 228.3 228.1 998.0 995.8 888.8 887.6 119.6 120.2 0.3 0.3
0.6 0.3 557.6 556.8 339.3 339.1 888.0 887.2 998.5 999.0 778.9 779.0 10.2 11.1 117.6 118.3
228.9 229.2 668.4 669.1 449.2 448.9 0.2 0.5
"""
"""NIST Statistical Reference Datasets, Norris: y and x of 36 calibrations of an ozone monitor."""


def test_a_line_is_that_of_the_certified_dataset() -> None:
    numbers = [float(word) for word in NORRIS.split()]
    line = line_through(list(zip(numbers[1::2], numbers[::2], strict=True)))
    # certified: intercept -0.262323073774029, slope 1.00211681802045 (standard deviation
    # 0.429796848199937e-03), residual standard deviation 0.884796396144373
    assert line.points == 36
    assert line.slope == pytest.approx(1.00211681802045, rel=1e-11)
    assert line.intercept == pytest.approx(-0.262323073774029, rel=1e-9)
    assert line.scatter == pytest.approx(0.884796396144373, rel=1e-9)
    t = stats.t.ppf(0.975, 34)
    assert line.slope_uncertainty == pytest.approx(t * 0.429796848199937e-03, rel=1e-9)


def test_a_line_is_known_best_in_the_middle_of_its_points() -> None:
    line = line_through([(10, 98), (20, 203), (30, 299), (40, 402)])
    assert line.uncertainty_at(25) < line.uncertainty_at(10) < line.uncertainty_at(0)
    assert line.at(line.zero_at) == pytest.approx(0)


def test_a_ratio_that_changes_with_the_rate_is_told_from_chance() -> None:
    steady = [(100, 1.01), (200, 0.99), (100, 0.99), (200, 1.01), (100, 1.0), (200, 1.0)]
    sinking = [(100, 1.01), (200, 0.95), (100, 1.0), (200, 0.94), (100, 1.005), (200, 0.945)]
    assert not calibrating.drifts_with(steady)
    assert calibrating.drifts_with(sinking)
    assert not calibrating.drifts_with([(100, 1.0)] * 6)


@pytest.mark.parametrize(
    ("act", "says"),
    [
        (lambda: stated([1.0]), "no spread"),
        (lambda: stated([-1.0, 0.5]), "nothing came"),
        (lambda: line_through([(1, 1), (2, 2)]), "three at least"),
        (lambda: line_through([(1, 1)] * 3), "two rates at least"),
        (lambda: calibrating.grubbs_critical(2, 0.05), "three at least"),
        (lambda: student_t.quantile(1.0, 3), "outside 0 to 1"),
        (lambda: student_t.within(1.0, 0), "neither"),
    ],
)
def test_what_tells_nothing_is_refused_with_what_would(act, says: str) -> None:
    with pytest.raises(ValueError, match=says):
        act()
