"""A site, its orders and its slots as a plan's case."""

from __future__ import annotations

import datetime as dt
from pathlib import Path

import pytest

from linectl.crop.plan.facts import asked_kg, case_of, days_of
from linectl.crop.plan.model import CropDays, Stock
from linectl.image import Slot
from linectl.runtime.standing import standing
from linectl.site.load import load_site
from linectl.site.model import Shift

FIRST = dt.date(2026, 6, 1)
DAY_MS = 86_400_000


@pytest.fixture(scope="module")
def fennmark():
    return load_site(Path(__file__).parents[3] / "config/fennmark")


def test_a_crop_is_ripe_when_the_last_of_its_shift_is_and_late_two_days_after_its_days(fennmark):
    """Green oakleaf: ripe after 22 d, a shift of 3 h: 23 days; days 24, late from 27 on."""
    shift_ms = fennmark.file.shift.length_ms
    got = {name: days_of(crop, shift_ms) for name, crop in fennmark.crops.crops.items()}
    assert got == {
        "green_oakleaf": CropDays(23, 27), "red_oakleaf": CropDays(25, 29),
        "frisee": CropDays(28, 32), "rocket": CropDays(19, 23),
    }  # fmt: skip


def test_full_lanes_are_stock_from_the_tail_on_a_day_apart(fennmark):
    """480 slots at 24 days are 20 a day; the oldest were sown 24 days before, the youngest 1."""
    case = case_of(fennmark, standing(fennmark, 1.0), {}, FIRST, 3, 0.95)
    first = case.lanes[0]
    assert first.stock == tuple(
        Stock("green_oakleaf", 20, 23 - age, 27 - age) for age in range(24, 0, -1)
    )
    assert (first.holes, case.capacity, case.changeovers) == (0, (111,) * 3, 6)


def test_a_gutter_on_a_lift_and_one_that_nobody_named_stand_in_their_order(fennmark):
    slots = [
        Slot("lane1.germ.89", 5, "rocket", -DAY_MS, 17 * DAY_MS),
        Slot("lane1.lift", 4, "rocket", -2 * DAY_MS, 16 * DAY_MS),
        Slot("lane1.grow.0", -1, "", -30 * DAY_MS, -30 * DAY_MS),
    ]
    lane = case_of(fennmark, slots, {}, FIRST, 3, 0.95).lanes[0]
    stock = [(part.crop, part.ripe) for part in lane.stock]
    assert stock == [("", -30), ("rocket", 16), ("rocket", 17)]


def test_days_without_a_shift_have_no_capacity(fennmark):
    shift = Shift.model_validate({"start": "06:00", "length": "3h", "days": ["monday", "tuesday"]})
    site = fennmark.model_copy(update={"file": fennmark.file.model_copy(update={"shift": shift})})
    assert case_of(site, [], {}, FIRST, 4, 0.95).capacity == (111, 111, 0, 0)


def test_orders_are_added_up_by_crop_and_those_outside_the_plan_left_out(fennmark):
    orders = [
        (FIRST, "rocket", 2.0),
        (FIRST, "duo", 10.0),
        (FIRST, "rocket", 3.0),
        (FIRST - dt.timedelta(days=1), "rocket", 9.0),
        (FIRST + dt.timedelta(days=2), "rocket", 9.0),
    ]
    asked = asked_kg(orders, fennmark, FIRST, 2)
    assert asked["rocket", 0] == 5.0
    # duo is one gutter of each: 5.2 kg and 4.3 kg of 9.5 kg, the same loss
    assert asked["green_oakleaf", 0] == pytest.approx(10 * 5.2 / 9.5)
    assert set(asked) == {("rocket", 0), ("green_oakleaf", 0), ("red_oakleaf", 0)}
