"""Bounds on what the spans still ahead cost, by which `least_time.py` drops hopeless ways. Pure.

At least: of the requests to come, as many must be of rank r or faster as it takes to cover the
spans of those ranks that no open request can still reach. With N(r) of them, and weights w,

    cost ≥ cheapest request × Σ over r of (w(r) − w(r+1)) × N(r)

since a request of weight w(k) counts in N(r) for every r ≥ k, and the differences add up to w(k).
At most: everything at every poll, each request as long as it may be.
"""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Sequence
from typing import NamedTuple


class Span(NamedTuple):
    """Addresses `first` to `last` that must come from one request of `rank` or faster."""

    first: int
    last: int
    rank: int


class CostAhead:
    """Bounds for the spans from a place on. Ends rise with the place."""

    def __init__(
        self, spans: Sequence[Span], limit: int, prices: Sequence[int], weights: Sequence[int]
    ) -> None:
        self._limit = limit
        self._lasts = [span.last for span in spans]
        self._most = self._at_most(spans, prices, weights[0])
        steps = [w - lower for w, lower in zip(weights, (*weights[1:], 0), strict=True)]
        each = [
            [prices[1] * step * count for count in self._counts(spans, rank)]
            for rank, step in enumerate(steps)
        ]
        none = [0] * (len(spans) + 1)
        self._faster = [none]
        for costs in each:
            self._faster.append([a + b for a, b in zip(self._faster[-1], costs, strict=True)])
        whole = self._faster[-1]
        self._rest = [[a - b for a, b in zip(whole, part, strict=True)] for part in self._faster]

    def least(self, place: int, start: int, rank: int) -> int:
        """Less than this the spans from `place` on cannot cost.

        start: first address of the outermost open request, rank: of the innermost one. Nothing
        faster is open, and nothing that is open can reach beyond the outermost one's limit.
        """
        beyond = max(place, bisect_right(self._lasts, start + self._limit - 1))
        return self._faster[rank][place] + self._rest[rank][beyond]

    def most(self, place: int) -> int:
        """For so much the spans from `place` on can be had, with nothing open."""
        return self._most[place]

    def _counts(self, spans: Sequence[Span], rank: int) -> list[int]:
        """For each place: the fewest requests that cover its span and later ones to that rank."""
        counts = [0] * (len(spans) + 1)
        for place in range(len(spans) - 1, -1, -1):
            span = spans[place]
            counts[place] = counts[place + 1]
            if span.rank <= rank:
                after = bisect_right(self._lasts, span.first + self._limit - 1)
                counts[place] = 1 + counts[after]
        return counts

    def _at_most(self, spans: Sequence[Span], prices: Sequence[int], weight: int) -> list[int]:
        costs = [0] * (len(spans) + 1)
        for place in range(len(spans) - 1, -1, -1):
            first = spans[place].first
            after = bisect_right(self._lasts, first + self._limit - 1)
            quantity = self._lasts[after - 1] - first + 1
            costs[place] = weight * prices[quantity] + costs[after]
        return costs
