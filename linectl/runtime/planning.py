"""A sowing plan in a site's own days: from orders and what stands to lists and reasons."""

from __future__ import annotations

import datetime as dt
import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import cached_property
from time import monotonic
from typing import Any

from linectl.crop.plan.answer import make_plan
from linectl.crop.plan.demand import packed_kg
from linectl.crop.plan.facts import asked_kg, case_of
from linectl.crop.plan.model import Case, Plan
from linectl.crop.plan.reasons import reasons
from linectl.crop.plan.sequence import Block, allowed_takts, changes, sowing_order
from linectl.image import Slot
from linectl.site.missed_file import Missed
from linectl.site.model import Site
from linectl.site.orders_file import Order
from linectl.site.plan_file import Allot, Day


@dataclass(frozen=True)
class Wish:
    """What is asked of a plan. sure: probability with which a day's gutters shall suffice."""

    first: dt.date
    days: int
    sure: float
    time_limit_s: float


@dataclass(frozen=True)
class PlannedDay:
    """A day's work in its order. takts: what sowing takes; allowed: what the shift has for it."""

    day: Day
    blocks: tuple[Block, ...]
    changeovers: int
    takts: float
    allowed: float

    @property
    def is_long(self) -> bool:
        """Its sowing takes longer than the shift; what is left is for the next day."""
        return self.takts > self.allowed

    @property
    def long_text(self) -> str:
        """Why gutters of a long day may be late for it."""
        return (
            f"the day's sowing is reckoned {self.takts - self.allowed:.0f} takts longer than its"
            " shift: what is pulled last may be a day late"
        )

    def too_late(self) -> dict[str, int]:
        """Gutters by crop that the shift has no time for: those pulled last."""
        left = math.ceil(self.takts - self.allowed)
        found: dict[str, int] = {}
        for allot in reversed(self.day.pull):
            part = min(allot.gutters, max(left, 0))
            if part:
                found[allot.crop] = found.get(allot.crop, 0) + part
            left -= part
        return found


class Planned:
    """A plan in days of the calendar."""

    def __init__(self, site: Site, wish: Wish, case: Case, plan: Plan) -> None:
        self.site, self.wish, self.case, self.plan = site, wish, case, plan

    def date(self, day: int) -> dt.date:
        return self.wish.first + dt.timedelta(days=day)

    @cached_property
    def days(self) -> tuple[PlannedDay, ...]:
        """Days on which something moves. The drum holds the site's crop as the first begins."""
        drum, made = self.site.file.sowing.crop, []
        for day in range(self.case.days):
            rows = self.plan.of_day(day)
            if not rows:
                continue
            blocks = sowing_order(rows, drum)
            count = changes(blocks, drum)
            drum = blocks[-1].crop if blocks else drum
            order = list(dict.fromkeys(lane for block in blocks for lane, _ in block.lanes))
            pulls = sorted(rows, key=lambda row: order.index(row.lane) if row.lane in order else 0)
            listed = Day(
                self.date(day),
                tuple(Allot(lane, b.crop, n) for b in blocks for lane, n in b.lanes),
                tuple(Allot(row.lane, crop, n) for row in pulls for crop, n in row.pull),
            )
            allowed = allowed_takts(self.case, day, count)
            takts = sum(block.takts for block in blocks)
            made.append(PlannedDay(listed, blocks, count, takts, allowed))
        return tuple(made)

    @cached_property
    def missed(self) -> tuple[Missed, ...]:
        """What cannot be met, or may come too late for its day, with the reason; by day."""
        why = reasons(self.case, self.plan, lambda day: self.date(day).isoformat())
        found = {
            (self.date(day), crop): (n, why[crop, day])
            for (crop, day), n in self.plan.short.items()
        }
        for day in self.days:
            for crop, n in day.too_late().items():
                before, reason = found.get((day.day.date, crop), (0, ""))
                said = "; ".join(filter(None, (reason, day.long_text)))
                found[day.day.date, crop] = (before + n, said)
        crops = self.site.crops.crops
        return tuple(
            Missed(date, crop, n, n * packed_kg(crops[crop]), reason)
            for (date, crop), (n, reason) in sorted(found.items())
        )

    @property
    def today(self) -> Day:
        """The first day's list; empty if nothing moves on it."""
        first = self.days[0].day if self.days else None
        return first if first and first.date == self.wish.first else Day(self.wish.first)

    @property
    def command(self) -> str:
        """The line's command that tells it today's list, without the name of who says it; empty if
        nothing moves: `today none` would leave the line free to sow and eject as it likes."""
        if not (self.today.sow or self.today.pull):
            return ""
        pulls: dict[int, int] = {}
        for each in self.today.pull:
            pulls[each.lane] = pulls.get(each.lane, 0) + each.gutters
        sow = ",".join(f"{each.lane}:{each.crop}:{each.gutters}" for each in self.today.sow)
        pull = ",".join(f"{lane}:{n}" for lane, n in pulls.items())
        parts = [f"sow={sow}" if sow else "", f"pull={pull}" if pull else ""]
        return " ".join(["today", *filter(None, parts)])

    def as_json(self) -> dict[str, Any]:
        """site, from, days; today {sow, pull: [{lane, crop, gutters}], command}; missed
        [{day, crop, short_gutters, short_kg, why}]; calendar [{day, sow, pull, changeovers, takts,
        takts_allowed}]; ordered_gutters, short_gutters, surplus_gutters; solver {cost, bound, gap,
        proven}: gap is the share of the cost that a better plan might still save."""
        plan = self.plan
        return {
            "site": self.site.name,
            "from": self.wish.first.isoformat(),
            "days": self.case.days,
            "today": {**_listed(self.today), "command": self.command},
            "missed": [
                {"day": m.date.isoformat(), "crop": m.crop, "short_gutters": m.gutters,
                 "short_kg": round(m.kg, 3), "why": m.why}
                for m in self.missed
            ],
            "calendar": [
                {"day": each.day.date.isoformat(), **_listed(each.day),
                 "changeovers": each.changeovers, "takts": each.takts,
                 "takts_allowed": each.allowed}
                for each in self.days
            ],
            "ordered_gutters": sum(self.case.demand.values()),
            "short_gutters": sum(plan.short.values()),
            "surplus_gutters": sum(plan.surplus.values()),
            "solver": {"cost": plan.cost, "bound": plan.bound, "gap": plan.gap,
                       "proven": plan.proven},
        }  # fmt: skip


def _listed(day: Day) -> dict[str, list[dict[str, Any]]]:
    rows = {"sow": day.sow, "pull": day.pull}
    return {act: [vars(each).copy() for each in listed] for act, listed in rows.items()}


def plan_site(site: Site, orders: Sequence[Order], slots: Sequence[Slot], wish: Wish) -> Planned:
    """Plan a site's days. slots: what stands, times in ms from the start of the first day's shift.

    Raises ImportError without the extra `plan`.
    """
    asked = asked_kg(
        ((order.date, order.blend, order.kg) for order in orders), site, wish.first, wish.days
    )
    case = case_of(site, slots, asked, wish.first, wish.days, wish.sure)
    return Planned(site, wish, case, make_plan(case, counting_down(wish.time_limit_s)))


def shift_start_ms(site: Site, day: dt.date) -> int:
    """When that day's shift begins, Unix ms, by this machine's zone."""
    return round(dt.datetime.combine(day, site.file.shift.start).timestamp() * 1000)


def counting_down(seconds: float) -> Callable[[], float]:
    """What is left of so many seconds from now on; below zero when they are over."""
    end = monotonic() + seconds
    return lambda: end - monotonic()
