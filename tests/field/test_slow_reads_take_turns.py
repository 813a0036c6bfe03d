"""Devices of one bus whose inputs are read seldom take turns, as the bus's budget counts on."""

from __future__ import annotations

from pathlib import Path

from linectl.field.bus import FieldBus
from linectl.registers.budget import bus_budgets
from linectl.site.load import load_site

SMALL = load_site(Path(__file__).parents[2] / "config" / "small")


def test_a_field_bus_reads_at_the_phases_of_its_budget() -> None:
    polls = {"slow": 300}
    buses = {n: bus.model_copy(update={"polls": polls}) for n, bus in SMALL.file.buses.items()}
    slow = {name for name, device in SMALL.file.devices.items() if device.bus == "drives"}
    points = tuple(
        point.model_copy(update={"poll": "slow"})
        if point.device in slow and point.direction == "in"
        else point
        for point in SMALL.points
    )
    file = SMALL.file.model_copy(update={"buses": buses})
    site = SMALL.model_copy(update={"file": file, "points": points})
    field = FieldBus(site, "drives", "127.0.0.1", 1, lambda: 0)
    (budget,) = (one for one in bus_budgets(site) if one.name == "drives")
    planned = {read.request for read in budget.reads}
    asked = {read.request for device in field.devices for read in device.reads.reads}
    assert asked == planned
    assert {request.phase for request in asked} == {0, 1, 2}
    for device in field.devices:
        for read in device.reads.reads:
            read.values, read.owed = (
                (),
                False,
            )  # read once, so that only its phase counts from here on
    per_poll = []
    for poll in range(6):
        due = [read for device in field.devices for read in device.reads.due(poll)]
        per_poll.append(len(due))
        for read in due:
            read.owed = False
    assert sum(per_poll) == 2 * len(planned)
    assert max(per_poll) < len(planned)
