"""Parameters of devices as points that are read once, and whether what was read is right."""

from __future__ import annotations

import math

from linectl.site.hardware import Device, Parameter, Point
from linectl.site.notation import protocol_address

SINGLE_SHARE = 1e-6
"""By so much a single may differ from its value's decimal form: it holds some seven digits."""


def point_of_parameter(name: str, device_name: str, device: Device) -> Point:
    """The parameter as a point of the device. Raises ValueError for an address that is none."""
    parameter = device.parameters[name]
    return Point(
        index=0,
        line=0,
        tag=f"{device_name}.{name}",
        direction="in",
        device=device_name,
        table=parameter.table,
        address=protocol_address(parameter.table, parameter.address, device.notation),
        type=parameter.type,
        word_order=parameter.word_order or device.word_order,
        byte_order=device.byte_order,
    )


def is_right(parameter: Parameter, value: float) -> bool:
    """True if that is what the parameter must read, or may."""
    if parameter.value is None:
        return True
    if parameter.type == "f32":
        return math.isclose(value, parameter.value, rel_tol=SINGLE_SHARE, abs_tol=1e-9)
    return value == parameter.value
