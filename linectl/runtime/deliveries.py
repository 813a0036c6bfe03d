"""What went to packing by day and crop, against what was planned and what was ordered.

A gutter counts for the day whose shift handed it over, by the fresh mass that its plants had; what
is left of a day does not serve the next one. A crop that is short of a day's orders by more than
the dust of the arithmetic is a miss, and every order that has it is missed.
"""

from __future__ import annotations

import datetime as dt
from bisect import bisect_left
from collections import Counter, defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Any

from linectl.crop.pace import DAY_MS
from linectl.runtime.following import DayEnd
from linectl.runtime.plan_rehearsal import Followed
from linectl.runtime.shift_waits import grouped
from linectl.site.crops import CropFile
from linectl.site.missed_file import Missed
from linectl.site.orders_file import Order

DUST_KG = 1e-6
"""A thousandth of a gram: masses are sums of many floats."""
REASONS = 3
"""Waits that are named for a day with gutters left undone, the longest first."""

Row = dict[str, Any]
Masses = dict[tuple[dt.date, str], float]
"""Kilograms by day and crop."""


@dataclass(frozen=True)
class Book:
    """What the rehearsed plan is held against: orders, and what the plan said it would miss."""

    orders: Sequence[Order] = ()
    missed: Sequence[Missed] = ()


def shares(blend: str, crops: CropFile) -> dict[str, float]:
    """Share of each crop in a blend's mass, adding up to 1; a crop alone is its own blend.

    A blend asked by gutters weighs what its gutters yield. KeyError for an unknown name.
    """
    if blend not in crops.blends:
        return {blend: 1.0} if crops.crops[blend] else {}
    asked = crops.blends[blend]
    if asked.gutters is not None:
        masses = {crop: n * crops.crops[crop].yield_kg for crop, n in asked.gutters.items()}
    else:
        masses = dict(asked.mass or {})
    whole = sum(masses.values())
    return {crop: mass / whole for crop, mass in masses.items()}


def account(followed: Followed, book: Book) -> Row:
    """The object under `plan` of `rehearse --json`.

    days: a row a shift (day, began_s, ended_s, over_s, crops, changes, undone, why, refused).
    crops of a day: crop, planned_sown, sown, planned_pulled, pulled, kg, ordered_kg, short_kg.
    misses: a row a day and crop that was short (day, crop, ordered_kg, kg, short_kg, said,
    said_kg, why). orders: placed, met, missed, surprises. missed_orders: day, blend, packs,
    pack_kg, short (crops), said. kg: all that was packed.
    """
    site = followed.outcome.site
    first = followed.ends[0].work.day.date
    packed = _packed(followed, first)
    ordered: Masses = defaultdict(float)
    last = followed.ends[-1].work.day.date
    orders = [order for order in book.orders if first <= order.date <= last]
    for order in orders:
        for crop, share in shares(order.blend, site.crops).items():
            ordered[order.date, crop] += order.packs * order.pack_kg * share
    misses = list(_misses(ordered, packed, book.missed))
    missed_orders = list(_missed_orders(orders, misses, site.crops))
    waits = _Waits(followed.outcome.account.waits())
    return {
        "days": [_day(end, ordered, packed, waits) for end in followed.ends],
        "kg": round(sum(packed.values()), 3),
        "misses": misses,
        "missed_orders": missed_orders,
        "orders": {
            "placed": len(orders),
            "met": len(orders) - len(missed_orders),
            "missed": len(missed_orders),
            "surprises": sum(not row["said"] for row in missed_orders),
        },
    }


def _packed(followed: Followed, first: dt.date) -> Masses:
    """Mass that the hall was given, by day and crop."""
    packed: Masses = defaultdict(float)
    for row in followed.outcome.report["packed"]:
        date = first + dt.timedelta(days=row["at_ms"] // DAY_MS)
        packed[date, row["crop"]] += row["kg"]
    return packed


def _misses(
    ordered: Masses,
    packed: Masses,
    missed: Iterable[Missed],
) -> Iterable[Row]:
    said: Masses = defaultdict(float)
    why: dict[tuple[dt.date, str], str] = {}
    for each in missed:
        said[each.date, each.crop] += each.kg
        why[each.date, each.crop] = each.why
    for (date, crop), kg in sorted(ordered.items()):
        got = packed.get((date, crop), 0.0)
        if kg - got > DUST_KG:
            yield {
                "day": date.isoformat(), "crop": crop, "ordered_kg": round(kg, 3),
                "kg": round(got, 3), "short_kg": round(kg - got, 3), "said": (date, crop) in said,
                "said_kg": round(said[date, crop], 3), "why": why.get((date, crop), ""),
            }  # fmt: skip


def _missed_orders(
    orders: Iterable[Order], misses: Iterable[Row], crops: CropFile
) -> Iterable[Row]:
    """The orders that have a crop which was short that day; said, if all of those were."""
    short = {(row["day"], row["crop"]): row["said"] for row in misses}
    for order in orders:
        day = order.date.isoformat()
        of_it = [crop for crop in shares(order.blend, crops) if (day, crop) in short]
        if of_it:
            yield {
                "day": day, "blend": order.blend, "packs": order.packs, "pack_kg": order.pack_kg,
                "short": of_it, "said": all(short[day, crop] for crop in of_it),
            }  # fmt: skip


def _day(
    end: DayEnd,
    ordered: Masses,
    packed: Masses,
    waits: _Waits,
) -> Row:
    plan, date = end.work.day, end.work.day.date
    undone = [
        {"lane": each.lane, "act": act, "crop": each.crop, "gutters": each.gutters}
        for act, allots in (("sow", end.left.sow), ("pull", end.left.pull))
        for each in allots
    ]
    counts: dict[str, Counter[str]] = {}
    for name, allots in (("planned_sown", plan.sow), ("planned_pulled", plan.pull)):
        for each in allots:
            counts.setdefault(each.crop, Counter())[name] += each.gutters
    for name, done in (("sown", end.sown), ("pulled", end.pulled)):
        for (_, crop), gutters in done.items():
            counts.setdefault(crop, Counter())[name] += gutters
    for day, crop in (*ordered, *packed):
        if day == date:
            counts.setdefault(crop, Counter())
    crops = []
    for crop, count in sorted(counts.items()):
        kg, asked = packed.get((date, crop), 0.0), ordered.get((date, crop), 0.0)
        names = ("planned_sown", "sown", "planned_pulled", "pulled")
        crops.append(
            {
                "crop": crop, **{name: count[name] for name in names},
                "kg": round(kg, 3), "ordered_kg": round(asked, 3),
                "short_kg": round(max(0.0, asked - kg), 3),
            }
        )  # fmt: skip
    return {
        "day": date.isoformat(),
        "began_s": end.work.begins_ms / 1000,
        "ended_s": end.ended_ms / 1000,
        "over_s": max(0, end.ended_ms - end.work.ends_ms) / 1000,
        "crops": crops,
        "changes": [{"at_s": at / 1000, "crop": crop} for at, crop in end.changes],
        "undone": undone,
        "why": waits.longest(end.work.begins_ms / 1000, end.ended_ms / 1000) if undone else [],
        "refused": list(end.refused),
    }


class _Waits:
    """The waits of a run, by when they began."""

    def __init__(self, rows: Sequence[Row]) -> None:
        self._rows = sorted(rows, key=lambda row: float(row["from_s"]))

    def longest(self, from_s: float, to_s: float) -> list[Row]:
        """The reasons for which units waited longest between these times, seconds in all."""
        start = bisect_left(self._rows, from_s, key=lambda row: row["from_s"])
        sums: dict[tuple[str, str], float] = defaultdict(float)
        for row in self._rows[start:]:
            if row["from_s"] >= to_s:
                break
            end = to_s if row["to_s"] is None else min(row["to_s"], to_s)
            sums[row["unit"], grouped(row)] += end - row["from_s"]
        return [
            {"unit": unit, "reason": reason, "s": round(seconds, 1)}
            for (unit, reason), seconds in sorted(sums.items(), key=lambda row: -row[1])[:REASONS]
        ]
