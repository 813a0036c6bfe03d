"""One dead device costs the others on its line no more than its share."""

from __future__ import annotations

import os
import time
from collections.abc import Callable
from typing import Any

import pytest

from linectl.field.wiring import Field, reach_in
from linectl.site.model import Site

pytestmark = pytest.mark.wire

FULL = os.environ.get("LINECTL_CAMPAIGN") == "full"
SETTLE_S, MEASURE_S = (8.0, 20.0) if FULL else (1.5, 3.0)
SHARE = 1.15
"""The others' cycle with the dead device demoted, in times of their cycle without it."""
LINE = {"kind": "rtu", "port": "/dev/null", "baud": 115_200, "parity": "none"} | {
    "poll": "10ms",
    "timeout": "50ms",
}
DEVICE = {"turnaround": "3ms", "silent_after": "500ms", "watchdog": "2s", "bus": "line"}


def polls(field: Field) -> dict[str, int]:
    return {s.device: s.sequence for s in field.snapshots() if s.device != "dead"}


def test_a_dead_device_on_a_serial_line_costs_the_others_only_its_share(
    site_of: Callable[..., Site], serve: Any, field_at: Any, eventually: Callable[..., float]
) -> None:
    """Two lines side by side, both as fast as their bytes allow: four devices, and the same four
    with a dead fifth, which is asked first."""
    four = {f"d{unit}": DEVICE | {"unit": unit} for unit in (1, 2, 3, 4)}
    five = {"dead": DEVICE | {"unit": 9}} | four
    fields = []
    for devices in (four, five):
        served = serve(site_of({"line": LINE}, devices))
        served.plant.silent.add("dead")
        fields.append(field_at(served.site, reach_in(served.endpoints, served.site)))
    alone, beside = fields
    eventually(lambda: all(s.good for s in alone.snapshots()))
    eventually(lambda: beside.health()[0].devices[0].demoted)
    time.sleep(SETTLE_S)  # the pauses between its probes have grown
    before, began_s = [polls(field) for field in fields], time.monotonic()
    time.sleep(MEASURE_S)
    after, took_s = [polls(field) for field in fields], time.monotonic() - began_s
    cycles_ms = [
        {name: took_s * 1000 / (last[name] - first[name]) for name in four}
        for first, last in zip(before, after, strict=True)
    ]
    ratio = max(cycles_ms[1].values()) / max(cycles_ms[0].values())
    print(f"cycle {max(cycles_ms[0].values()):.1f} ms without, × {ratio:.3f} with one dead of five")
    dead = beside.health()[0].devices[0]
    assert dead.demoted
    assert not dead.good
    assert all(s.good for s in beside.snapshots() if s.device != "dead")
    assert ratio <= SHARE
