"""A refused read in halves, at unit boundaries, down to the hole and how it is written."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Any

import pytest

from linectl.registers.bisect_reads import gap_of, hole_of, split
from linectl.registers.plan import read_plan
from linectl.registers.requests import ReadRequest
from linectl.site.model import Site

SiteOf = Callable[..., Site]


def row(address: int, type_: str = "u16", **facts: Any) -> dict[str, Any]:
    fixed = {"device": "io", "direction": "in", "table": "holding", "address": address}
    return fixed | {"type": type_, "word_order": "big"} | facts


def one_request(site: Site) -> ReadRequest:
    (request,) = read_plan(site, "b")
    return request


def failing(site: Site, request: ReadRequest, holes: Sequence[int]) -> list[str]:
    """What a device with those holes makes of a request: halve what fails until it cannot be."""
    device = site.file.devices["io"]
    span = range(request.address, request.address + request.quantity)
    if not any(hole in span for hole in holes):
        return []
    parts = split(request, site.points, device)
    if len(parts) == 1:
        return [hole_of(request, device)]
    return [text for part in parts for text in failing(site, part, holes)]


def test_halves_bring_the_same_points_and_read_no_more(site_of: SiteOf) -> None:
    site = site_of({"io": {"unit": 1}}, [row(0), row(1, "u32"), row(3), row(4)])
    request = one_request(site)
    lower, upper = split(request, site.points, site.file.devices["io"])
    assert (lower.address, lower.quantity, lower.points) == (0, 3, (0, 1))
    assert (upper.address, upper.quantity, upper.points) == (3, 2, (2, 3))
    assert (lower.function, lower.every, lower.poll) == (3, 1, "")


def test_a_long_value_and_a_group_are_never_split(site_of: SiteOf) -> None:
    rows = [row(0, group="g"), row(1, group="g"), row(2, group="g"), row(3, "u32")]
    site = site_of({"io": {"unit": 1}}, rows)
    lower, upper = split(one_request(site), site.points, site.file.devices["io"])
    assert (lower.points, upper.points) == ((0, 1, 2), (3,))
    for half in (lower, upper):
        assert split(half, site.points, site.file.devices["io"]) == (half,)


@pytest.mark.parametrize(
    ("notation", "texts"), [("protocol", ["5", "8-9"]), ("reference", ["40006", "40009-40010"])]
)
def test_holes_are_found_and_written_in_the_devices_notation(
    site_of: SiteOf, notation: str, texts: list[str]
) -> None:
    rows = [*(row(address) for address in range(8)), row(8, "u32"), row(10)]
    site = site_of({"io": {"unit": 1, "notation": notation}}, rows)
    assert failing(site, one_request(site), [5, 9]) == texts
    device = site.file.devices["io"].model_copy(update={"holes": {"holding": tuple(texts)}})
    spans = device.ranges(device.holes, "holding")
    assert [(span.start, span.stop) for span in spans] == [(5, 6), (8, 10)]


def test_halves_that_both_answer_have_the_hole_between_them(site_of: SiteOf) -> None:
    site = site_of({"io": {"unit": 1, "gaps": True}}, [row(0), row(4)])
    device = site.file.devices["io"]
    assert gap_of(split(one_request(site), site.points, device), device) == "1-3"


def test_halves_that_touch_and_both_answer_have_no_hole_but_a_limit(site_of: SiteOf) -> None:
    site = site_of({"io": {"unit": 1}}, [row(0), row(1)])
    device = site.file.devices["io"]
    assert gap_of(split(one_request(site), site.points, device), device) is None
