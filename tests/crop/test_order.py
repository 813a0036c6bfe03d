"""The most even order is the best of all, keeps within the known bounds, and is always the same."""

from __future__ import annotations

import os
import random
from fractions import Fraction
from itertools import combinations, pairwise, permutations, product

import pytest

from linectl.crop.order import CYCLE_MAX, deviation, deviation_bound, even_order

FULL = os.environ.get("LINECTL_CAMPAIGN") == "full"


def named(counts):
    return {chr(ord("a") + n): count for n, count in enumerate(counts)}


def blends(total, crops):
    """All ways in which `total` gutters are of exactly that many crops."""
    for cuts in combinations(range(1, total), crops - 1):
        edges = (0, *cuts, total)
        yield [high - low for low, high in pairwise(edges)]


def least_deviation(counts):
    """Over all orders: the best way to each vector of counts, from the best ways to those before.

    An order is a path from nothing to all; its deviation is the worst vector on it.
    """
    total = sum(counts)
    best = {(0,) * len(counts): 0}
    for vector in product(*(range(count + 1) for count in counts)):
        done = sum(vector)
        if done:
            here = max(abs(x * total - done * n) for x, n in zip(vector, counts, strict=True))
            before = (
                best[*vector[:i], vector[i] - 1, *vector[i + 1 :]]
                for i in range(len(vector))
                if vector[i]
            )
            best[vector] = max(here, min(before))
    return Fraction(best[tuple(counts)], total)


def test_the_enumeration_by_counts_is_that_of_all_orders():
    """Holds the brute force against a plainer one."""
    for total in range(1, 8):
        for crops in range(1, min(4, total) + 1):
            for counts in blends(total, crops):
                one = "".join(crop * count for crop, count in named(counts).items())
                assert least_deviation(counts) == min(map(deviation, set(permutations(one))))


def test_no_order_of_up_to_12_gutters_of_4_crops_is_more_even():
    tried = 0
    for total in range(1, 16 if FULL else 13):
        for crops in range(1, min(4, total) + 1):
            for counts in blends(total, crops):
                found = even_order(named(counts))
                assert found.deviation == least_deviation(counts), counts
                assert found.deviation == deviation(found.order), counts
                tried += 1
    assert tried == (1_940 if FULL else 793)


def test_ten_thousand_blends_stay_within_the_bounds_that_are_known():
    """1 − 1/D: Brauner and Crama 2004. 1 − 1/(2(s − 1)): Tijdeman 1980. From memory, both."""
    chance = random.Random(20)
    tight = 0
    for n in range(100_000 if FULL else 10_000):
        most, crops = (60, 8) if n % 200 == 0 else (12, 5)
        counts = [chance.randint(1, most) for _ in range(chance.randint(1, crops))]
        found = even_order(named(counts))
        assert found.deviation <= found.bound < 1, counts
        tight += found.deviation == found.bound
    assert tight > 100  # the bounds are reached, so that one too small would show


def test_the_order_has_the_gutters_that_were_asked_and_deviates_as_it_says():
    chance = random.Random(21)
    for _ in range(200):
        gutters = named(chance.randint(1, 40) for _ in range(chance.randint(1, 8)))
        found = even_order(gutters)
        assert {crop: found.order.count(crop) for crop in gutters} == gutters
        assert deviation(found.order) == found.deviation


def test_an_order_by_hand():
    """7 : 4 : 2 : 1, worked by hand: after 7 of 14 gutters the ideals are 3.5, 2, 1 and 0.5, so
    that no order is nearer than a half; this one is as near as that."""
    found = even_order({"a": 7, "b": 4, "c": 2, "d": 1})
    assert "".join(found.order) == "abacabadbacaba"
    assert found.deviation == Fraction(1, 2)


def test_a_multiple_of_a_cycle_is_that_cycle_again_and_again():
    thrice = even_order({"a": 15, "b": 6, "c": 3, "d": 3})
    once = even_order({"a": 5, "b": 2, "c": 1, "d": 1})
    assert thrice.order == once.order * 3
    assert (thrice.deviation, thrice.bound) == (once.deviation, once.bound)


@pytest.mark.parametrize(
    ("gutters", "order"),
    [({"a": 1}, "a"), ({"a": 3}, "aaa"), ({"a": 1, "b": 1}, "ab"), ({"b": 1, "a": 1}, "ba")],
)
def test_of_equally_even_orders_the_crop_named_first_goes_first(gutters, order):
    assert "".join(even_order(gutters).order) == order


def test_one_crop_alone_never_deviates():
    assert even_order({"a": 7}).deviation == deviation_bound({"a": 7}) == 0


@pytest.mark.parametrize("gutters", [{}, {"a": 0, "b": 1}, {"a": -1}, {"a": CYCLE_MAX + 1}])
def test_a_cycle_that_cannot_be_is_refused(gutters):
    with pytest.raises(ValueError, match=r"no crops|at least one|the most"):
        even_order(gutters)


def test_an_order_of_nothing_has_no_deviation():
    with pytest.raises(ValueError, match="no gutters"):
        deviation([])
