"""Small sites made of a few devices and points, for the planner and the budget."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest
from pydantic import TypeAdapter

from linectl.site.hardware import Bus, Device, Point
from linectl.site.model import Site, SiteFile

TCP = {"kind": "tcp", "host": "127.0.0.1", "poll": "20ms", "timeout": "100ms"}
RTU = {"kind": "rtu", "port": "/dev/ttyUSB0", "baud": 19_200, "poll": "50ms", "timeout": "200ms"}


def build_site(
    devices: dict[str, dict[str, Any]],
    rows: list[dict[str, Any]],
    bus: dict[str, Any] | None = None,
    scan_ms: int = 20,
) -> Site:
    """A site of one bus `b`; a row needs device, table, address, type and direction."""
    facts = bus or TCP
    base = {"bus": "b", "silent_after": "500ms"}
    return Site.model_construct(
        file=SiteFile.model_construct(
            buses={"b": TypeAdapter(Bus).validate_python(facts)},
            devices={
                name: Device.model_validate(base | device) for name, device in devices.items()
            },
            scan_ms=scan_ms,
        ),
        points=tuple(
            Point.model_validate(
                {"index": place, "line": place + 2, "tag": f"p{place}.value"} | row
            )
            for place, row in enumerate(rows)
        ),
    )


@pytest.fixture(scope="session")
def site_of() -> Callable[..., Site]:
    """Builds a site from devices and rows."""
    return build_site


@pytest.fixture(scope="session")
def rtu_line() -> dict[str, Any]:
    """A serial line at 19 200 baud."""
    return RTU
