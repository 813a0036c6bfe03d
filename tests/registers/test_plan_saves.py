"""What the plan saves on a whole site, and what planning a large map itself takes."""

from __future__ import annotations

import random
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from linectl.registers.budget import bus_budgets
from linectl.registers.plan import read_plan
from linectl.site.load import load_site
from linectl.site.model import Site

SiteOf = Callable[..., Site]
CONFIG = Path(__file__).parents[2] / "config"
CLASSES = {"slow": "200ms", "slower": "1s"}
SHARE_MAX = 0.25
ADDITIONS = 1_000_000
PLANNING_MAX = 25
"""Times that a million additions in plain Python may pass while 2000 points are planned: a second
where a million take 40 ms. They took 27 ms where this was written."""


def test_the_plan_of_fennmark_takes_a_quarter_of_one_request_a_point_at_most(
    capsys: pytest.CaptureFixture[str],
) -> None:
    buses = bus_budgets(load_site(CONFIG / "fennmark"))
    share = sum(bus.mean_ms for bus in buses) / sum(bus.single_ms for bus in buses)
    with capsys.disabled():
        each = ", ".join(f"{bus.name} {bus.fraction:.1%}" for bus in buses)
        print(f"\n  read plan of fennmark: {share:.1%} of one request a point ({each})")
    assert share <= SHARE_MAX


def registers(count: int) -> list[dict[str, Any]]:
    """Registers of one device with long values, gaps, and classes in blocks as maps have them."""
    rng = random.Random(count)
    rows: list[dict[str, Any]] = []
    address, poll = 0, ""
    for number in range(count):
        if number % 7 == 0:
            poll = rng.choice(["", "slow", "slower"])
        long = rng.random() < 0.2
        rows.append(cell("input", address, "f32" if long else "u16", poll))
        address += (2 if long else 1) + (rng.randrange(12) if rng.random() < 0.2 else 0)
    return rows


def bits(count: int) -> list[dict[str, Any]]:
    """Bits of one device, each in any class."""
    rng = random.Random(count)
    return [cell("discrete", n, "bool", rng.choice(["", "slow", "slower"])) for n in range(count)]


def cell(table: str, address: int, type_: str, poll: str) -> dict[str, Any]:
    row = {"device": "io", "direction": "in", "table": table, "address": address, "type": type_}
    return row | {"poll": poll, "word_order": "big"}


def least_s(work: Callable[[], object]) -> float:
    """The least of three times that the work takes."""
    times = []
    for _ in range(3):
        started = time.perf_counter()
        work()
        times.append(time.perf_counter() - started)
    return min(times)


def add_up() -> int:
    total = 0
    for number in range(ADDITIONS):
        total += number
    return total


@pytest.mark.parametrize("kind", ["tcp", "rtu"])
@pytest.mark.parametrize("rows", [registers, bits], ids=["registers", "bits"])
def test_two_thousand_points_are_planned_while_one_waits(
    site_of: SiteOf,
    rtu_line: dict[str, Any],
    capsys: pytest.CaptureFixture[str],
    rows: Callable[[int], list[dict[str, Any]]],
    kind: str,
) -> None:
    tcp = {"kind": "tcp", "host": "127.0.0.1", "poll": "50ms", "timeout": "200ms"}
    bus = (tcp if kind == "tcp" else rtu_line) | {"polls": CLASSES}
    site = site_of({"io": {"unit": 1, "gaps": True}}, rows(2000), bus)
    planning_s = least_s(lambda: read_plan(site, "b"))
    ratio = planning_s / least_s(add_up)
    with capsys.disabled():
        what = f"{rows.__name__} on {kind}: {planning_s:.3f} s, {ratio:.1f} × a million additions"
        print(f"\n  planning 2000 {what}; {len(read_plan(site, 'b'))} requests")
    assert ratio <= PLANNING_MAX
