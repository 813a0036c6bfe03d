"""Least time over spans that lie anyhow, overlapping ones too, against every way to share them."""

from __future__ import annotations

import random
from collections.abc import Sequence
from functools import cache
from itertools import pairwise

import pytest

from linectl.registers.cost_ahead import CostAhead
from linectl.registers.least_time import Span, Tariff, least_time

CASES = 1_500


def least_of_all(
    spans: Sequence[Span], limit: int, tariff: Tariff, weights: Sequence[int]
) -> float:
    """Over all partitions of the spans into requests."""

    @cache
    def request(subset: int) -> float:
        members = [span for number, span in enumerate(spans) if subset >> number & 1]
        quantity = max(s.last for s in members) - min(s.first for s in members) + 1
        steps = -(-quantity // tariff.cells)
        price = tariff.base + tariff.step * steps
        return float("inf") if quantity > limit else price * weights[min(s.rank for s in members)]

    @cache
    def least(left: int) -> float:
        if not left:
            return 0
        first = left & -left
        rest = more = left ^ first
        best = float("inf")
        while True:
            best = min(best, request(first | more) + least(rest ^ more))
            if not more:
                return best
            more = (more - 1) & rest

    return least((1 << len(spans)) - 1)


def drawn(seed: int) -> tuple[list[Span], int, Tariff, list[int]]:
    """Spans by rising ends; cheap requests, so that many and nested ones pay."""
    rng = random.Random(seed)
    ranks = rng.randint(1, 4)
    weights = sorted(rng.sample(range(1, 40), ranks), reverse=True)
    tariff = Tariff(rng.randint(1, 60), rng.randint(1, 9), rng.choice([1, 1, 2, 8]))
    spans: list[Span] = []
    address = 0
    for _ in range(rng.randint(1, 8)):
        length = rng.choice([1, 1, 2, 3])
        spans.append(Span(address, address + length - 1, rng.randrange(ranks)))
        address += length + rng.choice([0, 0, 1, 2, 5, 9, -1, -1 if length > 1 else 0])
    longest = max(span.last - span.first + 1 for span in spans)
    limit = rng.choice([longest, longest + 3, longest + 9, longest + 20, 125])
    return spans, limit, tariff, weights


def test_no_other_requests_cost_less() -> None:
    nested = overlapping = 0
    for seed in range(CASES):
        spans, limit, tariff, weights = drawn(seed)
        cost, requests = least_time(spans, limit, tariff, weights)
        assert cost == least_of_all(spans, limit, tariff, weights), f"case {seed}"
        quantities = [request.last - request.first + 1 for request in requests]
        assert max(quantities) <= limit
        prices = [tariff.price(quantity) for quantity in quantities]
        assert cost == sum(
            price * weights[request.rank] for price, request in zip(prices, requests, strict=True)
        )
        for span in spans:
            assert any(
                request.first <= span.first
                and span.last <= request.last
                and request.rank <= span.rank
                for request in requests
            )
        nested += len(requests) > 1 and any(
            outer.first <= inner.first and inner.last <= outer.last and outer is not inner
            for outer in requests
            for inner in requests
        )
        overlapping += any(b.first <= a.last for a, b in pairwise(spans))
    assert nested > 10
    assert overlapping > CASES / 4


def test_bounds_hold_on_both_sides_of_the_least_cost() -> None:
    """From every place on, with nothing open before it."""
    for seed in range(300):
        spans, limit, tariff, weights = drawn(seed)
        spans = [span for n, span in enumerate(spans) if not n or span.last > spans[n - 1].last]
        prices = [tariff.price(quantity) for quantity in range(limit + 1)]
        ahead = CostAhead(spans, limit, prices, weights)
        for place in range(len(spans)):
            cost, _ = least_time(spans[place:], limit, tariff, weights)
            nothing_open = spans[0].first - limit
            assert ahead.least(place, nothing_open, 0) <= cost <= ahead.most(place)


def test_of_equal_plans_the_earlier_requests_are_full() -> None:
    spans = [Span(address, address, 0) for address in range(10)]
    _, requests = least_time(spans, 4, Tariff(10, 1, 1), [1])
    assert [(request.first, request.last) for request in requests] == [(0, 3), (4, 7), (8, 9)]


def test_nothing_to_read_costs_nothing() -> None:
    assert least_time([], 4, Tariff(10, 1, 1), [1]) == (0, [])


@pytest.mark.parametrize(("quantity", "price"), [(1, 11), (8, 11), (9, 12), (16, 12), (17, 13)])
def test_bits_are_paid_by_the_byte(quantity: int, price: int) -> None:
    assert Tariff(10, 1, 8).price(quantity) == price
