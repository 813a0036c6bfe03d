"""Orders as a file: read as they stand, and every error with its line and what would be right."""

from __future__ import annotations

import datetime as dt
from pathlib import Path

import pytest

from linectl.errors import SiteError
from linectl.site.load import load_site
from linectl.site.orders_file import Order, read_orders

FENNMARK = Path(__file__).parents[2] / "config/fennmark"


@pytest.fixture(scope="module")
def fennmark():
    return load_site(FENNMARK)


def test_orders_are_packs_of_a_blend_or_of_a_crop(tmp_path, fennmark):
    file = tmp_path / "orders.csv"
    file.write_text("day,blend,packs,pack\n2026-06-01,duo,120,200g\n2026-06-01,rocket,8,8oz\n")
    duo, rocket = read_orders(file, fennmark)
    assert duo == Order(dt.date(2026, 6, 1), "duo", 120, 0.2)
    assert (duo.kg, rocket.blend) == (pytest.approx(24.0), "rocket")
    assert rocket.kg == pytest.approx(8 * 0.226796185)  # half a pound: NIST SP 811, appendix B.8


def test_every_error_is_told_with_its_line_and_the_nearest_name(tmp_path, fennmark):
    file = tmp_path / "orders.csv"
    file.write_text(
        "day,blend,packs,pack\n01.06.2026,duo,120,200g\n2026-06-01,rockett,0,200 stone\n"
        "2026-06-02,duo,5,0g\n"
    )
    with pytest.raises(SiteError) as told:
        read_orders(file, fennmark)
    said = str(told.value)
    for words in ("orders.csv:2: day: '01.06.2026' is not a day", "2026-06-01",
                  "orders.csv:3: blend: 'rockett' is no blend of crops.yaml, nor a crop", "rocket",
                  "orders.csv:3: packs", "orders.csv:3: pack: '200 stone' is not a mass",
                  "orders.csv:4: pack: a pack must weigh something"):  # fmt: skip
        assert words in said


def test_the_shipped_orders_are_sixty_days_from_the_first_of_june(fennmark):
    orders = read_orders(FENNMARK / "orders.csv", fennmark)
    days = sorted({order.date for order in orders})
    assert (days[0], len(days)) == (dt.date(2026, 6, 1), 60)
    assert {order.blend for order in orders} >= {*fennmark.crops.blends, "rocket"}
