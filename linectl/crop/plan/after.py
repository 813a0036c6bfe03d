"""Crops of what is sown for after the plan's last day: the mix of the last weeks' orders."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence

from linectl.crop.plan.model import Case, LaneFacts

MIX_DAYS = 28
"""Four weeks of orders are the mix: whole weeks, so that each weekday counts alike."""


def mix(case: Case) -> dict[str, float]:
    """Share of each crop in the gutters ordered for the last weeks; empty without orders."""
    asked: Counter[str] = Counter()
    for (crop, day), gutters in case.demand.items():
        if day >= case.days - MIX_DAYS:
            asked[crop] += gutters
    total = asked.total()
    return {crop: gutters / total for crop, gutters in asked.items() if gutters}


def crops_after(
    lanes: Sequence[LaneFacts],
    shares: Mapping[str, float],
    blocks: Sequence[tuple[int, int]],
    last: Mapping[int, str],
) -> list[str]:
    """One crop for each block (lane, gutters), in the order in which blocks are sown.

    A block gets the crop that lags most behind its share, of those the lane accepts; but the lane
    goes on with its `last` crop while that one lags too, so that few changeovers are made.
    """
    accepts = {lane.id: lane.crops for lane in lanes}
    given: Counter[str] = Counter()
    going, chosen = dict(last), []
    for lane, gutters in blocks:
        total = given.total() + gutters
        lags = {crop: shares.get(crop, 0.0) * total - given[crop] for crop in accepts[lane]}
        crop = going.get(lane, "")
        if lags.get(crop, 0.0) <= 0.0:
            crop = max(accepts[lane], key=lambda each: lags[each])
        given[crop] += gutters
        going[lane] = crop
        chosen.append(crop)
    return chosen
