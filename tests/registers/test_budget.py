"""Cycles, ages and reactions against figures worked out from the serial-line specification."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest

from linectl.registers.budget import Budget, bus_budgets
from linectl.registers.wire_time import WORST_HOST_MS
from linectl.site.model import Site

SiteOf = Callable[..., Site]
DEVICES = {
    name: {"unit": unit, "turnaround": "10ms"} for unit, name in enumerate(("a", "b", "c"), 1)
}


def worst_ages_ms(site: Site) -> dict[int, float]:
    """Worst age of every input, by image index, in ms."""
    budget = Budget(site)
    return {p.index: budget.worst_age_ms(p) for p in site.points if p.direction == "in"}


def registers(count: int) -> list[dict[str, Any]]:
    facts = {"direction": "in", "table": "holding", "type": "u16"}
    return [
        facts | {"device": device, "address": address}
        for device in DEVICES
        for address in range(count)
    ]


# Computed from V1.02: each exchange 22.917 ms (33 characters of 11 bits at 19 200 baud and two
# silences of 38.5 bits) + 10 ms turnaround; three of them 98.75 ms.
def test_three_devices_on_one_serial_line(site_of: SiteOf, rtu_line: dict[str, Any]) -> None:
    (bus,) = bus_budgets(site_of(DEVICES, registers(10), rtu_line))
    assert bus.requests == 3
    assert bus.wire_ms == pytest.approx(98.75)
    assert bus.cycle_ms == pytest.approx(98.75)
    assert not bus.fits
    # A time-out of 200 ms, as much again of lateness, the late answer itself, t3.5, and 5 ms.
    assert bus.silent_extra_ms == pytest.approx(400 + bus.answer_ms + 38.5 / 19.2 + 5)
    assert bus.unproven == ()


def test_a_bus_with_time_to_spare_keeps_its_poll(site_of: SiteOf) -> None:
    (bus,) = bus_budgets(site_of({"a": {"unit": 1}}, registers(10)[:10]))
    assert bus.cycle_ms == 20
    assert bus.wire_ms == pytest.approx(2, abs=0.1)
    assert bus.fits


def test_the_grid_lies_end_to_end_and_samples_inside(
    site_of: SiteOf, rtu_line: dict[str, Any]
) -> None:
    (bus,) = bus_budgets(site_of(DEVICES, registers(10), rtu_line))
    for one, following in zip(bus.reads, bus.reads[1:], strict=False):
        assert one.done_ms == following.start_ms
    for read in bus.reads:
        assert read.start_ms < read.sample_ms < read.done_ms
    # 8 request bytes, one silence, 10 ms turnaround.
    assert bus.reads[0].sample_ms == pytest.approx(8 * 11 / 19.2 + 38.5 / 19.2 + 10)


def test_an_inputs_worst_age_is_a_cycle_and_its_own_read(
    site_of: SiteOf, rtu_line: dict[str, Any]
) -> None:
    ages = worst_ages_ms(site_of(DEVICES, registers(10), rtu_line))
    assert ages[0] == pytest.approx(98.75 + 32.917 + WORST_HOST_MS, abs=0.001)


def test_a_reaction_is_the_sum_of_its_named_parts(site_of: SiteOf) -> None:
    rows = [
        {
            "device": "io",
            "direction": "in",
            "table": "discrete",
            "address": 0,
            "type": "bool",
            "on_delay_ms": "40ms",
        },
        {"device": "io", "direction": "out", "table": "coil", "address": 0, "type": "bool"},
        {"device": "io", "direction": "out", "table": "coil", "address": 8, "type": "bool"},
    ]
    site = site_of({"io": {"unit": 1, "turnaround": "5ms"}}, rows)
    reaction = Budget(site).reaction(site.points[0], site.points[1])
    terms = dict(reaction.terms)
    assert list(terms) == [
        "input filter",
        "device",
        "poll cycle",
        "wait for read slot",
        "read",
        "scan",
        "wait for write slot",
        "write",
        "output device",
        "own time",
    ]
    assert terms["input filter"] == 40
    assert terms["device"] == terms["output device"] == 5
    assert terms["poll cycle"] == terms["scan"] == 20
    # Both blocks of outputs may be written before the read, at 5 ms each.
    assert terms["wait for read slot"] == pytest.approx(10, abs=0.1)
    # One read of 5 ms may be on its way, and one other block of outputs is written before.
    assert terms["wait for write slot"] == pytest.approx(10, abs=0.1)
    assert terms["write"] == pytest.approx(5, abs=0.1)
    assert terms["own time"] == 4 * WORST_HOST_MS
    assert reaction.worst_ms == pytest.approx(sum(terms.values()))


def test_an_output_is_no_cause(site_of: SiteOf) -> None:
    rows = [{"device": "io", "direction": "out", "table": "coil", "address": 0, "type": "bool"}]
    site = site_of({"io": {"unit": 1}}, rows)
    with pytest.raises(KeyError):
        Budget(site).reaction(site.points[0], site.points[0])


def slow_site(site_of: SiteOf, line: dict[str, Any], **device: Any) -> Site:
    """Three devices; of `b` and `c` everything is read at each fourth poll of 50 ms only."""
    polls = {"polls": {"slow": "200ms"}}
    rows = registers(10)
    for row in rows:
        if row["device"] != "a":
            row["poll"] = "slow"
    devices = {name: facts | device for name, facts in DEVICES.items()}
    return site_of(devices, rows, line | polls)


def test_slow_classes_take_turns_so_that_no_poll_is_full(
    site_of: SiteOf, rtu_line: dict[str, Any]
) -> None:
    """98.75 ms of reads at every poll would not fit 50 ms; nor do two of them; at 70 ms they do."""
    (bus,) = bus_budgets(slow_site(site_of, rtu_line | {"poll": "70ms"}))
    phases = [read.request.phase for read in bus.reads if read.request.every > 1]
    assert [read.request.every for read in bus.reads] == [1, 3, 3]
    assert len(set(phases)) == 2
    assert bus.wire_ms == pytest.approx(2 * 32.917, abs=0.001)
    assert bus.mean_ms == pytest.approx(32.917 * (1 + 2 / 3), abs=0.001)
    assert bus.fits
    assert bus.headroom_ms == pytest.approx(70 - 2 * 32.917, abs=0.001)


def test_a_slow_input_is_as_old_as_its_period(site_of: SiteOf, rtu_line: dict[str, Any]) -> None:
    site = slow_site(site_of, rtu_line | {"poll": "70ms"})
    ages = worst_ages_ms(site)
    # A slow read may come before it in one poll and not in another.
    assert ages[0] == pytest.approx(70 + 32.917 + 32.917 + WORST_HOST_MS, abs=0.001)
    # No other slow read is in its poll.
    assert ages[10] == pytest.approx(3 * 70 + 32.917 + WORST_HOST_MS, abs=0.001)


def test_a_read_behind_slow_ones_comes_late_in_some_polls(
    site_of: SiteOf, rtu_line: dict[str, Any]
) -> None:
    rows = registers(10)
    for row in rows:
        if row["device"] == "a":
            row["poll"] = "slow"
    site = site_of(DEVICES, rows, rtu_line | {"poll": "100ms", "polls": {"slow": "1s"}})
    (bus,) = bus_budgets(site)
    assert [read.shift_ms for read in bus.reads] == pytest.approx([0, 32.917, 32.917], abs=0.001)
    assert bus.reads[2].done_ms == pytest.approx(98.75)
    ages = worst_ages_ms(site)
    assert ages[10] == pytest.approx(100 + 2 * 32.917 + WORST_HOST_MS, abs=0.001)


def test_reactions_count_the_period_of_a_slow_cause(site_of: SiteOf) -> None:
    cell = {"device": "io", "type": "bool", "address": 0}
    rows = [
        cell | {"direction": "in", "table": "discrete", "poll": "slow"},
        cell | {"direction": "out", "table": "coil"},
    ]
    bus = {"kind": "tcp", "host": "127.0.0.1", "poll": "20ms", "timeout": "100ms"}
    site = site_of({"io": {"unit": 1}}, rows, bus | {"polls": {"slow": "490ms"}})
    terms = dict(Budget(site).reaction(site.points[0], site.points[1]).terms)
    assert terms["poll cycle"] == 500  # rounded up to whole polls


def test_reading_outputs_back_and_a_heartbeat_cost_bus_time(
    site_of: SiteOf, rtu_line: dict[str, Any]
) -> None:
    """Read back: FC 3 of 10 registers, 22.917 ms. Heartbeat: FC 6, 8 + 8 bytes and two silences,
    16 x 11 / 19.2 + 2 x 38.5 / 19.2 = 13.177 ms, twice in a poll of 50 ms. No turnaround here."""
    rows = [
        {"device": "a", "direction": "out", "table": "holding", "address": n, "type": "u16"}
        for n in range(10)
    ]
    device = {"unit": 1, "turnaround": "0ms"}
    beat = {"heartbeat": {"address": "99", "every": "25ms"}}
    (plain,) = bus_budgets(site_of({"a": device}, rows, rtu_line))
    (back,) = bus_budgets(site_of({"a": device | {"read_back": True}}, rows, rtu_line))
    (beating,) = bus_budgets(site_of({"a": device | beat}, rows, rtu_line))
    assert back.write_ms - plain.write_ms == pytest.approx(22.917, abs=0.001)
    assert beating.write_ms - plain.write_ms == pytest.approx(2 * 13.177, abs=0.001)
