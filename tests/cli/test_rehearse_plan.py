"""`rehearse --plan` tells a plan's days to a person, to a program and on a page."""

from __future__ import annotations

import re
import shutil
from pathlib import Path

import pytest

CONFIG = Path(__file__).parents[2] / "config"
PLAN = """day,act,lane,crop,gutters
2026-06-01,pull,1,green_oakleaf,2
2026-06-01,pull,2,red_oakleaf,2
2026-06-01,sow,1,green_oakleaf,2
2026-06-01,sow,2,rocket,2
"""
ORDERS = "day,blend,packs,pack\n"


@pytest.fixture
def small(tmp_path):
    """The small site with crops of four days and a shift of twenty minutes."""
    folder = tmp_path / "small"
    shutil.copytree(CONFIG / "small", folder)
    for name, changes in {
        "site.yaml": [('start: "00:00"', 'start: "06:00"'), ("length: 24h", "length: 20m")],
        "crops.yaml": [(r" days: \d+m", " days: 4d"), (r"ripe_after: \w+", "ripe_after: 3d")],
    }.items():
        path = folder / name
        text = path.read_text(encoding="utf-8")
        for old, new in changes:
            text, count = re.subn(old, new, text)
            assert count
        path.write_text(text, encoding="utf-8")
    return folder


@pytest.fixture
def files(tmp_path):
    """A plan of one day with orders; `orders` rows are given by the test."""

    def make(orders: str = "", missed: str = "") -> tuple[str, ...]:
        (tmp_path / "plan.csv").write_text(PLAN)
        (tmp_path / "orders.csv").write_text(ORDERS + orders)
        if missed:
            head = "day,crop,short_gutters,short_kg,why\n"
            (tmp_path / "missed.csv").write_text(head + missed)
        return ("--plan", str(tmp_path / "plan.csv"), "--orders", str(tmp_path / "orders.csv"))

    return make


def test_a_plan_that_meets_its_orders_is_told_by_the_day(linectl, small, files, tmp_path) -> None:
    page = tmp_path / "plan.html"
    given = files("2026-06-01,green_oakleaf,8,125g\n2026-06-01,red_oakleaf,1,1kg\n")
    said = linectl("rehearse", small, *given, "--report", page)
    assert said.code == 0, said.err
    assert "small: 1 day of the plan rehearsed" in said.out
    assert re.search(r"2026-06-01 +4 +4 +1 ", said.out)
    assert "2 of 2 met; 0 missed" in said.out
    assert re.search(r"seed.first +medium +1", said.out)  # the first gutter was looked at
    assert "no rule of the line was violated" in said.out
    text = page.read_text(encoding="utf-8")
    assert "✓ every order was met" in text
    assert "orders met</title>" in text
    assert not re.search(r"https?://(?!www\.w3\.org)", text)


def test_a_program_gets_the_account_under_plan(linectl, small, files) -> None:
    given = files("2026-06-01,rocket,1,1kg\n", "2026-06-01,rocket,2,1.0,sown today\n")
    said = linectl("rehearse", small, *given, "--json")
    assert said.code == 0  # the plan had said so
    plan = said.json["plan"]
    assert plan["orders"] == {"placed": 1, "met": 0, "missed": 1, "surprises": 0}
    (miss,) = plan["misses"]
    assert (miss["crop"], miss["short_kg"], miss["said_kg"]) == ("rocket", 1.0, 1.0)
    (day,) = plan["days"]
    assert sum(row["sown"] for row in day["crops"]) == 4
    assert said.json["violations"] == []
    assert {"gutters", "waits", "alarms"} <= set(said.json)


def test_a_miss_that_the_plan_had_not_named_is_an_exit_of_1(linectl, small, files) -> None:
    said = linectl("rehearse", small, *files("2026-06-01,rocket,1,1kg\n"))
    assert said.code == 1
    assert "rocket 1.0 kg (not said)" in said.out
    assert "1 missed, of which 1 the plan had not named" in said.out


@pytest.mark.parametrize(
    ("wrong", "says"),
    [
        (("--orders", "x.csv"), "belong to a plan: add --plan FILE"),
        (("--days", "3"), "belong to a plan: add --plan FILE"),
        (("--plan", "x.csv", "--for", "2h"), "leave out --for and --wire"),
        (("--plan", "x.csv", "--wire"), "leave out --for and --wire"),
    ],
)
def test_options_that_do_not_go_together_are_said(linectl, wrong, says) -> None:
    said = linectl("rehearse", "config/small", *wrong)
    assert said.code == 2
    assert says in " ".join(said.err.split())


def test_a_wrong_row_of_a_plan_is_said_with_its_line(linectl, small, tmp_path) -> None:
    path = tmp_path / "plan.csv"
    path.write_text(PLAN + "2026-06-02,sow,1,rocket,2\n")
    said = linectl("rehearse", small, "--plan", path)
    assert said.code == 1
    assert "plan.csv:6: crop: lane 1 does not accept rocket" in said.err
