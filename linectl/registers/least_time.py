"""The requests of least bus time for one stretch of a table: exact dynamic programming. Pure.

Given spans of addresses, each with a rank (0 is read at every poll, the higher the seldomer), and
the weight of one request of each rank, find requests such that every span lies wholly in one of
its own rank or a faster one, none is longer than the limit, and

    sum over requests of  weight[rank] × (base + step × ceil(quantity / cells))

is least. Why it suffices to look at requests that are nested or apart:

- A request may be shrunk until it begins and ends at a span that no equal or faster one covers.
- Of two that overlap like tiles the slower can then be shrunk to end before the faster begins.
  So what is left is a stack: slower requests outside, faster ones inside.
- So a request is opened only at a span that nothing open covers, and of its rank or faster; what
  is inside a request ends with it or before it.

The spans are walked by address. A *label* is one way of having covered all so far: its cost, and
the stack of requests still open, which are paid for up to here. Of labels with the same future only
the best is kept: what the future can tell apart is the ranks of the stack, the place of each
start within its byte, and how much of the limit the outermost has used (the inner ones have
used less). A label is also dropped when the cheapest one could close everything, open each of
its requests anew when it is next needed, and still be no dearer; or when what it must still cost
(`cost_ahead.py`) makes it dearer than a plan that is known.
"""

from __future__ import annotations

from collections.abc import Collection, Sequence
from typing import NamedTuple

from linectl.registers.cost_ahead import CostAhead
from linectl.registers.cost_ahead import Span as Span


class Tariff(NamedTuple):
    """What one request costs, in whole units: base + step × ceil(quantity / cells)."""

    base: int
    step: int
    cells: int

    def price(self, quantity: int) -> int:
        return self.base - self.step * (-quantity // self.cells)


FAR = 1 << 62

Stack = tuple[tuple[int, int], ...]
"""(rank, first address) of the open requests, the slowest and outermost first."""


class _Label(NamedTuple):
    cost: int
    stack: Stack
    parent: _Label | None
    kept: int
    """How many of the parent's requests are still open; the others ended with the span before."""


def least_time(
    spans: Sequence[Span], limit: int, tariff: Tariff, weights: Sequence[int]
) -> tuple[int, list[Span]]:
    """The least cost and its requests, by first address.

    `spans`: any two of them may share a request as far as the map goes; none longer than `limit`.
    `weights`: of a request of each rank, falling.
    """
    spans = _telling(spans)
    if not spans:
        return 0, []
    reach = spans[-1].last - spans[0].first + 1
    prices = [tariff.price(quantity) for quantity in range(min(limit, reach) + 1)]
    ahead = CostAhead(spans, limit, prices, weights)
    enough = ahead.most(0)
    labels = [_Label(0, (), None, 0)]
    last = spans[0].first - 1
    for place, span in enumerate(spans):
        found = list(_step(labels, span, last, prices, weights))
        enough = min(enough, min(label.cost for label in found) + ahead.most(place + 1))
        found = [label for label in found if _cost_at_least(label, place + 1, ahead) <= enough]
        last = span.last
        overlap = last - spans[place + 1].first + 1 if place + 1 < len(spans) else 0
        labels = _best(found, reach > limit, tariff, weights, max(0, overlap))
    best = min(labels, key=_order)
    return best.cost, _requests(best, spans)


def _cost_at_least(label: _Label, place: int, ahead: CostAhead) -> int:
    return label.cost + ahead.least(place, label.stack[0][1], label.stack[-1][0])


def _order(label: _Label) -> tuple[int, list[int]]:
    """Cheapest first; of equals the one whose last requests begin latest: the earlier are full."""
    return label.cost, [-first for _, first in label.stack]


def _telling(spans: Sequence[Span]) -> list[Span]:
    """The spans by address without those that lie inside one of their own rank or a faster one.

    One that lies inside a slower one is kept and made to end where that ends: first and last
    addresses both rise.
    """
    kept: list[Span] = []
    for span in sorted(spans):
        while kept and kept[-1].first == span.first and span.rank <= kept[-1].rank:
            kept.pop()  # sorted: it ends no later
        if kept and span.last <= kept[-1].last:
            if kept[-1].rank <= span.rank:
                continue
            span = span._replace(last=kept[-1].last)
        kept.append(span)
    return kept


def _step(
    labels: Sequence[_Label],
    span: Span,
    last: int,
    prices: Sequence[int],
    weights: Sequence[int],
) -> Collection[_Label]:
    """Every way to go on from `last` over the next span, the cheapest for each stack."""
    found: dict[Stack, _Label] = {}
    first, end, rank = span
    opened = [weight * prices[end - first + 1] for weight in weights[: rank + 1]]
    for label in labels:
        cost, stack, _, _ = label
        depth = 0
        while True:
            kept = stack[:depth]
            if kept and kept[-1][0] <= rank:
                if kept not in found or cost < found[kept].cost:
                    found[kept] = _Label(cost, kept, label, depth)
            else:
                for new, price in enumerate(opened):
                    longer = (*kept, (new, first))
                    if longer not in found or cost + price < found[longer].cost:
                        found[longer] = _Label(cost + price, longer, label, depth)
            if depth == len(stack):
                break
            open_rank, start = stack[depth]
            if end - start + 1 >= len(prices):
                break
            cost += weights[open_rank] * (prices[end - start + 1] - prices[last - start + 1])
            depth += 1
    return found.values()


def _best(
    labels: Collection[_Label], bound: bool, tariff: Tariff, weights: Sequence[int], overlap: int
) -> list[_Label]:
    """The labels that no other one makes superfluous; `bound`: the limit can be felt."""
    cells = tariff.cells
    astray = tariff.step if cells > 1 else 0
    again = tariff.base + astray - tariff.step * (-overlap // cells)
    least = min(label.cost for label in labels)
    alike: dict[tuple[int, ...], list[_Label]] = {}
    for label in labels:
        reopening = again * sum(weights[rank] for rank, _ in label.stack)
        if label.cost == least or label.cost < least + reopening:
            alike.setdefault(tuple(rank for rank, _ in label.stack), []).append(label)
    fronts = {ranks: _front(group, bound) for ranks, group in alike.items()}
    kept: list[_Label] = []
    for ranks, group in alike.items():
        rivals = [
            (front, sum(weights[rank] * (astray if rank in others else again) for rank in ranks))
            for others, front in fronts.items()
            if set(others) <= set(ranks) and (others != ranks or astray)
        ]
        for label in _per_place(group, cells, bound):
            start = label.stack[0][1]
            if not any(_beaten(label.cost - more, start, front) for front, more in rivals):
                kept.append(label)
    return kept


Front = list[tuple[int, int]]
"""(cost, outermost start): the dearer begins later and so has more of the limit left."""


def _front(group: list[_Label], bound: bool) -> Front:
    front: Front = []
    for cost, start in sorted((label.cost, -label.stack[0][1]) for label in group):
        if not front or -start > front[-1][1]:
            front.append((cost, -start))
            if not bound:
                return [(cost, FAR)]
    return front


def _beaten(cost: int, start: int, front: Front) -> bool:
    """True if one of the front costs no more than that and has as much of the limit left."""
    for rival_cost, rival_start in front:
        if rival_cost > cost:
            return False
        if rival_start >= start:
            return True
    return False


def _per_place(group: list[_Label], cells: int, bound: bool) -> list[_Label]:
    """Of labels with starts at the same places within their bytes: the front."""
    places: dict[tuple[int, ...], list[_Label]] = {}
    for label in group:
        places.setdefault(tuple(first % cells for _, first in label.stack), []).append(label)
    kept: list[_Label] = []
    for same in places.values():
        same.sort(key=lambda label: (label.cost, -label.stack[0][1]))
        latest = -1
        for label in same:
            if label.stack[0][1] > latest:
                kept.append(label)
                latest = label.stack[0][1]
                if not bound:
                    break
    return kept


def _requests(label: _Label | None, spans: Sequence[Span]) -> list[Span]:
    """The requests of a label that has walked all spans, by first address."""
    requests = []
    kept = 0
    for span in reversed(spans):
        if label is None:
            break
        requests += [Span(start, span.last, rank) for rank, start in label.stack[kept:]]
        kept, label = label.kept, label.parent
    return sorted(requests)
