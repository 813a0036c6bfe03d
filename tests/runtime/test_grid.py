"""The bench's bus grid: every request looks at its device when its polling class lets it."""

from __future__ import annotations

from pathlib import Path

import pytest

from linectl.registers.budget import bus_budgets
from linectl.runtime.grid import bus_grid
from linectl.site.load import load_site

SMALL = load_site(Path(__file__).parents[2] / "config" / "small")


def slowed(tags: set[str], period_ms: int):
    """`small` with some inputs in a slower class."""
    polls = {"slow": period_ms}
    buses = {n: bus.model_copy(update={"polls": polls}) for n, bus in SMALL.file.buses.items()}
    points = tuple(
        point.model_copy(update={"poll": "slow"}) if point.tag in tags else point
        for point in SMALL.points
    )
    file = SMALL.file.model_copy(update={"buses": buses})
    return SMALL.model_copy(update={"file": file, "points": points})


def test_every_input_hangs_on_one_tap():
    of_points = bus_grid(SMALL).of_points()
    inputs = {point.index for point in SMALL.points if point.direction == "in"}
    assert set(of_points) == inputs


def test_a_slow_request_looks_at_each_nth_poll_from_its_phase_on():
    devices = {p.device for p in SMALL.points if p.direction == "in"}
    one = next(iter(sorted(devices)))
    tags = {p.tag for p in SMALL.points if p.direction == "in" and p.device == one}
    site = slowed(tags, 1_000)
    bus = site.file.devices[one].bus
    (budget,) = (b for b in bus_budgets(site) if b.name == bus)
    taps = [tap for tap in bus_grid(site).reads if tap.device == one]
    reads = [read for read in budget.reads if read.request.device == one]
    assert len(taps) == len(reads)
    for tap, read in zip(taps, reads, strict=True):
        poll_ms = budget.poll_ms
        assert tap.period_ms == read.request.every * poll_ms == pytest.approx(1_000, abs=poll_ms)
        assert tap.phase_ms // poll_ms == read.request.phase
        assert tap.instant(0) == tap.phase_ms
        assert tap.instant(tap.phase_ms + 1) == tap.phase_ms + tap.period_ms


def test_without_classes_every_tap_has_its_buss_period():
    periods = {budget.name: budget.poll_ms for budget in bus_budgets(SMALL)}
    assert all(tap.period_ms == periods[tap.bus] for tap in bus_grid(SMALL).reads)
