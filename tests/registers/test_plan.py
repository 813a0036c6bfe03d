"""The planner: few requests, never an address that is not ours, never half a value."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from linectl.errors import SiteError
from linectl.registers.plan import read_plan, write_plan
from linectl.registers.requests import ReadRequest
from linectl.registers.write_blocks import write_function
from linectl.site.model import Site

SiteOf = Callable[..., Site]


def row(table: str, address: int, type_: str = "u16", **facts: Any) -> dict[str, Any]:
    direction = "in" if table in ("discrete", "input") else "out"
    long = {"word_order": "big"} if type_ in ("u32", "i32", "f32") else {}
    fixed = {"device": "io", "table": table, "address": address, "type": type_}
    return {"direction": direction} | fixed | long | facts


def holding_input(address: int, type_: str = "u16") -> dict[str, Any]:
    return row("holding", address, type_, direction="in")


def ranges(requests: tuple[ReadRequest, ...]) -> list[tuple[int, int, int]]:
    return [(request.function, request.address, request.quantity) for request in requests]


def test_neighbours_come_in_one_request(site_of: SiteOf) -> None:
    rows = [row("discrete", address, "bool") for address in (3, 1, 2)]
    requests = read_plan(site_of({"io": {"unit": 1}}, rows), "b")
    assert ranges(requests) == [(2, 1, 3)]
    assert requests[0].points == (1, 2, 0)


def test_each_table_has_its_function(site_of: SiteOf) -> None:
    rows = [
        row("coil", 0, "bool", direction="in"),
        row("discrete", 0, "bool"),
        holding_input(0),
        row("input", 0),
    ]
    requests = read_plan(site_of({"io": {"unit": 1}}, rows), "b")
    assert ranges(requests) == [(1, 0, 1), (2, 0, 1), (3, 0, 1), (4, 0, 1)]


def test_an_address_no_point_names_is_not_read(site_of: SiteOf) -> None:
    rows = [row("input", 0), row("input", 2)]
    requests = read_plan(site_of({"io": {"unit": 1}}, rows), "b")
    assert ranges(requests) == [(4, 0, 1), (4, 2, 1)]


def test_an_output_between_two_inputs_is_not_read(site_of: SiteOf) -> None:
    rows = [holding_input(0), row("holding", 1), holding_input(2)]
    requests = read_plan(site_of({"io": {"unit": 1}}, rows), "b")
    assert ranges(requests) == [(3, 0, 1), (3, 2, 1)]


def test_a_gap_that_pays_is_read_where_the_device_allows_it(
    site_of: SiteOf, rtu_line: dict[str, Any]
) -> None:
    device = {"unit": 1, "gaps": True, "turnaround": "5ms"}
    near = [row("input", 0), row("input", 15)]
    far = [row("input", 0), row("input", 25)]
    assert ranges(read_plan(site_of({"io": device}, near, rtu_line), "b")) == [(4, 0, 16)]
    assert len(read_plan(site_of({"io": device}, far, rtu_line), "b")) == 2


def test_a_long_value_is_not_split_at_the_devices_limit(site_of: SiteOf) -> None:
    rows = [row("input", 0), row("input", 1), row("input", 2, "u32")]
    requests = read_plan(site_of({"io": {"unit": 1, "max_read_registers": 3}}, rows), "b")
    assert ranges(requests) == [(4, 0, 2), (4, 2, 2)]


def test_two_bits_of_one_register_are_one_register(site_of: SiteOf) -> None:
    rows = [row("input", 7, "bool", bit=bit) for bit in (0, 3)]
    assert ranges(read_plan(site_of({"io": {"unit": 1}}, rows), "b")) == [(4, 7, 1)]


# Quantity limits: MODBUS Application Protocol V1.1b3, 6.1 and 6.3.
def test_the_protocols_limits_hold_whatever_the_site_says(site_of: SiteOf) -> None:
    bits = [row("discrete", address, "bool") for address in range(2001)]
    registers = [row("input", address) for address in range(126)]
    requests = read_plan(site_of({"io": {"unit": 1}}, bits + registers), "b")
    assert ranges(requests) == [(2, 0, 2000), (2, 2000, 1), (4, 0, 125), (4, 125, 1)]


def test_devices_come_in_the_sites_order_with_their_units(site_of: SiteOf) -> None:
    rows = [row("input", 0, device="second"), row("input", 0, device="first")]
    devices = {"first": {"unit": 9}, "second": {"unit": 4}}
    requests = read_plan(site_of(devices, rows), "b")
    assert [(request.device, request.unit) for request in requests] == [("first", 9), ("second", 4)]


def test_outputs_are_written_in_unbroken_blocks(site_of: SiteOf) -> None:
    rows = [row("coil", address, "bool") for address in (0, 1, 5)]
    rows += [row("holding", 10), row("holding", 11, "u32")]
    blocks = write_plan(site_of({"io": {"unit": 1}}, rows), "b")
    found = [(block.table, block.address, block.quantity) for block in blocks]
    assert found == [("coil", 0, 2), ("coil", 5, 1), ("holding", 10, 3)]


@pytest.mark.parametrize(
    ("write", "one", "more"), [("both", 5, 15), ("single", 5, 5), ("multiple", 15, 15)]
)
def test_a_device_is_written_with_the_functions_it_has(
    site_of: SiteOf, write: str, one: int, more: int
) -> None:
    device = site_of({"io": {"unit": 1, "write": write}}, []).file.devices["io"]
    assert write_function(device, "coil", 1) == one
    assert write_function(device, "coil", 2) == more
    assert write_function(device, "holding", 1) == one + (1 if one in (5, 15) else 0)


def test_half_a_set_point_is_refused_with_its_line(site_of: SiteOf) -> None:
    site = site_of({"io": {"unit": 1, "write": "single"}}, [row("holding", 0, "f32")])
    with pytest.raises(SiteError, match=r"io\.csv:2: type: .*half a value"):
        write_plan(site, "b")


CLASSES = {"slow": "100ms", "slower": "590ms"}
EVERY = {"": 1, "slow": 5, "slower": 30}


@st.composite
def maps(draw: st.DrawFn) -> tuple[dict[str, Any], list[dict[str, Any]]]:
    """A device with limits and ranges, and a register map without overlaps."""
    device: dict[str, Any] = {
        "unit": 1,
        "gaps": draw(st.booleans()),
        "read_back": draw(st.booleans()),
        "max_read_registers": draw(st.integers(6, 125)),
        "max_read_bits": draw(st.integers(1, 64)),
    }
    rows: list[dict[str, Any]] = []
    holes: list[str] = []
    address = draw(st.integers(0, 20))
    for number in range(draw(st.integers(1, 25))):
        name = draw(st.sampled_from(list(EVERY)))
        group = {"group": f"g{number}"} if draw(st.integers(0, 4)) == 0 else {}
        for _ in range(draw(st.integers(1, 3)) if group else 1):
            type_ = draw(st.sampled_from(["u16", "u32", "f32"]))
            rows.append(row("holding", address, type_, direction="in", poll=name, **group))
            address += 1 if type_ == "u16" else 2
        gap = draw(st.integers(0, 30))
        if gap and draw(st.booleans()):
            rows.append(row("holding", address))
        elif gap and draw(st.booleans()):
            holes.append(str(address))
        address += gap
    for address in draw(st.sets(st.integers(0, 200), max_size=20)):
        rows.append(row("discrete", address, "bool", poll=draw(st.sampled_from(list(EVERY)))))
    return device | {"holes": {"holding": holes}}, rows


@given(plan=maps())
def test_every_point_comes_whole_often_enough_and_from_one_request(
    site_of: SiteOf, rtu_line: dict[str, Any], plan: tuple[dict[str, Any], list[dict[str, Any]]]
) -> None:
    device, rows = plan
    site = site_of({"io": device}, rows, rtu_line | {"poll": "20ms", "polls": CLASSES})
    inputs = {point.index: point for point in site.points if point.direction == "in"}
    requests = read_plan(site, "b")
    brought = [index for request in requests for index in request.points]
    assert sorted(brought) == sorted(inputs)
    groups: dict[str, set[ReadRequest]] = {}
    for request in requests:
        assert request.points
        assert 0 <= request.phase < request.every
        assert EVERY[request.poll] == request.every
        for index in request.points:
            point = inputs[index]
            assert request.address <= point.address
            assert point.address + point.words <= request.address + request.quantity
            assert request.every <= EVERY[point.poll]
            if point.group:
                groups.setdefault(point.group, set()).add(request)
    assert all(len(sources) == 1 for sources in groups.values())


@given(plan=maps())
def test_nothing_is_read_that_the_map_does_not_name_and_no_limit_is_passed(
    site_of: SiteOf, rtu_line: dict[str, Any], plan: tuple[dict[str, Any], list[dict[str, Any]]]
) -> None:
    device, rows = plan
    site = site_of({"io": device}, rows, rtu_line | {"poll": "20ms", "polls": CLASSES})
    for request in read_plan(site, "b"):
        read = set(range(request.address, request.address + request.quantity))
        named = {
            address
            for point in site.points
            if point.table == request.table and (point.direction == "in" or device["read_back"])
            for address in range(point.address, point.address + point.words)
        }
        assert device["gaps"] or read <= named
        if request.table == "holding":
            assert not read & {int(text) for text in device["holes"]["holding"]}
        limit = device["max_read_bits" if request.function == 2 else "max_read_registers"]
        assert request.quantity <= limit


def test_outputs_are_read_over_where_they_can_be_read_back(site_of: SiteOf) -> None:
    rows = [holding_input(0), row("holding", 1), holding_input(2)]
    requests = read_plan(site_of({"io": {"unit": 1, "read_back": True}}, rows), "b")
    assert ranges(requests) == [(3, 0, 3)]


def test_holes_and_ranges_part_requests_even_where_gaps_are_fine(site_of: SiteOf) -> None:
    rows = [row("input", 0), row("input", 2), row("input", 4), row("input", 5)]
    facts = {"holes": {"input": ["1"]}, "readable": {"input": ["0-4", "5-9"]}}
    requests = read_plan(site_of({"io": {"unit": 1, "gaps": True} | facts}, rows), "b")
    assert ranges(requests) == [(4, 0, 1), (4, 2, 4)]


def test_a_device_that_must_not_be_read_there_is_refused_whoever_asks(site_of: SiteOf) -> None:
    site = site_of({"io": {"unit": 1, "holes": {"input": ["1"]}}}, [row("input", 0, "u32")])
    with pytest.raises(SiteError, match=r"io\.csv:2: address: .*input 0 \(reference 30001\)"):
        read_plan(site, "b")


def test_a_slow_request_lies_round_a_fast_one_where_that_is_cheapest(
    site_of: SiteOf, rtu_line: dict[str, Any]
) -> None:
    """Sixty slow registers on each side of one that is needed at every poll."""
    rows = [row("input", address, poll="slower") for address in range(60)]
    rows += [row("input", 60), *(row("input", n, poll="slower") for n in range(61, 121))]
    requests = read_plan(site_of({"io": {"unit": 1}}, rows, rtu_line | {"polls": CLASSES}), "b")
    assert ranges(requests) == [(4, 60, 1), (4, 0, 121)]
    assert requests[0].points == (60,)
    assert 60 not in requests[1].points
