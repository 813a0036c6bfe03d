"""Devices and points for the field's parts, without any wire."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest

from linectl.field.outputs import DeviceOutputs
from linectl.site.hardware import Device, Point


def build_points(rows: list[dict[str, Any]]) -> tuple[Point, ...]:
    """Points of device `io`, tagged p0.value, p1.value …"""
    fixed = {"device": "io"}
    return tuple(
        Point.model_validate(
            {"index": k, "line": k + 2, "tag": f"p{k}.value", "direction": "out"} | fixed | row
        )
        for k, row in enumerate(rows)
    )


def build_device(**facts: Any) -> Device:
    return Device.model_validate({"bus": "b", "unit": 7, "silent_after": "200ms"} | facts)


@pytest.fixture(scope="session")
def points_of() -> Callable[[list[dict[str, Any]]], tuple[Point, ...]]:
    return build_points


@pytest.fixture(scope="session")
def device_of() -> Callable[..., Device]:
    return build_device


@pytest.fixture(scope="session")
def outputs_of() -> Callable[..., DeviceOutputs]:
    def build(rows: list[dict[str, Any]], **facts: Any) -> DeviceOutputs:
        return DeviceOutputs("io", build_device(**facts), build_points(rows))

    return build
