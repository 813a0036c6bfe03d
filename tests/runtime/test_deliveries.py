"""What went to packing against what was ordered: shares worked by hand, misses said and unsaid."""

from __future__ import annotations

import datetime as dt
from pathlib import Path
from types import SimpleNamespace

import pytest

from linectl.runtime.deliveries import Book, account, shares
from linectl.runtime.following import DayEnd, Shiftwork
from linectl.site.load import load_site
from linectl.site.missed_file import Missed
from linectl.site.orders_file import Order
from linectl.site.plan_file import Allot, Day

CONFIG = Path(__file__).parents[2] / "config"
MONDAY = dt.date(2026, 6, 1)
TUESDAY = MONDAY + dt.timedelta(days=1)
DAY_MS = 86_400_000


@pytest.fixture(scope="module")
def site():
    return load_site(CONFIG / "fennmark")


def _end(number: int, **changed) -> DayEnd:
    day = Day(
        MONDAY + dt.timedelta(days=number), (Allot(1, "rocket", 3),), (Allot(2, "frisee", 3),)
    )
    work = Shiftwork(day, number * DAY_MS, number * DAY_MS + 9_000_000)
    facts = {
        "work": work, "list": day, "ended_ms": work.ends_ms - 60_000,
        "sown": {(1, "rocket"): 3}, "pulled": {(2, "frisee"): 3},
        "left": Day(day.date), "changes": (), "refused": (),
    }  # fmt: skip
    return DayEnd(**{**facts, **changed})


def _followed(site, packed, ends=None, waits=()):
    """packed: day's number, crop, kg."""
    rows = [
        {"at_ms": day * DAY_MS + 1_000, "gutter": n, "crop": crop, "kg": kg}
        for n, (day, crop, kg) in enumerate(packed)
    ]
    outcome = SimpleNamespace(
        site=site, report={"packed": rows}, account=SimpleNamespace(waits=lambda: list(waits))
    )
    return SimpleNamespace(outcome=outcome, ends=tuple(ends or (_end(0), _end(1))))


def test_a_blend_by_gutters_weighs_what_its_gutters_yield(site) -> None:
    """4 × 5.2, 3 × 4.3, 2 × 4.8 and 3 × 2.4 kg: 20.8, 12.9, 9.6 and 7.2 of 50.5 kg."""
    worked = (0.411881, 0.255446, 0.190099, 0.142574)
    assert tuple(shares("garden_mix", site.crops).values()) == pytest.approx(worked, abs=1e-6)


def test_a_blend_by_mass_keeps_its_shares_and_a_crop_is_its_own_blend(site) -> None:
    asked = {"green_oakleaf": 0.45, "frisee": 0.25, "rocket": 0.3}
    assert shares("peppery", site.crops) == pytest.approx(asked)
    assert shares("rocket", site.crops) == {"rocket": 1.0}


def test_orders_of_a_day_are_met_by_what_that_day_packed(site) -> None:
    followed = _followed(site, [(0, "rocket", 2.5), (0, "rocket", 2.5), (1, "rocket", 2.4)])
    told = account(followed, Book([Order(MONDAY, "rocket", 40, 0.125)]))
    assert told["orders"] == {"placed": 1, "met": 1, "missed": 0, "surprises": 0}
    assert told["misses"] == told["missed_orders"] == []
    assert told["kg"] == pytest.approx(7.4)
    (rocket,) = [row for row in told["days"][0]["crops"] if row["crop"] == "rocket"]
    assert (rocket["kg"], rocket["ordered_kg"], rocket["short_kg"]) == (5.0, 5.0, 0.0)
    assert (rocket["planned_sown"], rocket["sown"], rocket["planned_pulled"]) == (3, 3, 0)


def test_what_a_day_had_too_much_does_not_serve_the_next_one(site) -> None:
    followed = _followed(site, [(0, "rocket", 9.0)])
    told = account(followed, Book([Order(TUESDAY, "rocket", 8, 0.125)]))
    assert told["orders"]["surprises"] == 1
    assert told["misses"][0]["short_kg"] == pytest.approx(1.0)


def test_a_crop_a_gram_short_misses_every_order_that_has_it(site) -> None:
    packed = [(0, "frisee", 0.999), (0, "rocket", 50.0), (0, "green_oakleaf", 50.0)]
    orders = [
        Order(MONDAY, "frisee", 8, 0.125),
        Order(MONDAY, "rocket", 8, 0.125),
        Order(MONDAY, "green_oakleaf", 1, 0.2),
    ]
    told = account(_followed(site, packed), Book(orders))
    assert [row["crop"] for row in told["misses"]] == ["frisee"]
    assert [row["blend"] for row in told["missed_orders"]] == ["frisee"]
    assert told["orders"] == {"placed": 3, "met": 2, "missed": 1, "surprises": 1}


def test_a_miss_that_the_plan_named_is_no_surprise_one_of_another_day_is(site) -> None:
    orders = [Order(MONDAY, "rocket", 8, 0.125), Order(TUESDAY, "rocket", 8, 0.125)]
    book = Book(orders, [Missed(MONDAY, "rocket", 1, 0.9, "too late to sow")])
    told = account(_followed(site, []), book)
    assert [(row["day"], row["said"], row["said_kg"]) for row in told["misses"]] == [
        ("2026-06-01", True, 0.9),
        ("2026-06-02", False, 0.0),
    ]
    assert told["orders"]["surprises"] == 1


def test_a_blend_is_said_only_if_each_of_its_short_crops_was(site) -> None:
    book = Book([Order(MONDAY, "duo", 10, 0.2)], [Missed(MONDAY, "green_oakleaf", 1, 1.1)])
    (row,) = account(_followed(site, []), book)["missed_orders"]
    assert row["short"] == ["green_oakleaf", "red_oakleaf"]
    assert row["said"] is False


def test_orders_outside_the_rehearsed_days_say_nothing(site) -> None:
    later = MONDAY + dt.timedelta(days=9)
    assert account(_followed(site, []), Book([Order(later, "rocket", 8, 0.125)]))["orders"] == {
        "placed": 0, "met": 0, "missed": 0, "surprises": 0,
    }  # fmt: skip


def _wait(unit: str, reason: str, from_s: float, to_s: float | None) -> dict[str, object]:
    return {
        "unit": unit, "state": "Suspended", "reason": reason, "from_s": from_s, "to_s": to_s,
    }  # fmt: skip


def test_what_is_left_is_told_with_the_longest_waits_of_its_day(site) -> None:
    end = _end(
        1, sown={(1, "rocket"): 1}, left=Day(TUESDAY, (Allot(1, "rocket", 2),)),
        ended_ms=DAY_MS + 9_120_000,
    )  # fmt: skip
    base = DAY_MS / 1000
    waits = [
        _wait("harvest", "packing not ready", 10.0, 4_000.0),
        _wait("sowing", "no freed slot in lanes 1, 2; harvest waits", base, base + 60),
        _wait("sowing", "magazine empty", base + 70, None),
        _wait("sowing", "no freed slot in lanes 4, 5", base + 60, base + 70),
    ]
    told = account(_followed(site, [], (_end(0), end), waits), Book())
    assert told["days"][0]["why"] == []
    day = told["days"][1]
    assert day["undone"] == [{"lane": 1, "act": "sow", "crop": "rocket", "gutters": 2}]
    assert day["over_s"] == 120
    assert [(row["reason"], row["s"]) for row in day["why"]] == [
        ("magazine empty", 9_050.0),
        ("no freed slot in lanes …", 70.0),
    ]
