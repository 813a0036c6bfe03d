"""What a register can hold of a value: its range, its step, and the value nearest to what is asked.

value = register × scale + offset, the register a whole number of its type, or a single.
"""

from __future__ import annotations

import math
from typing import NamedTuple

from linectl.site.hardware import Point

INTEGER_LIMITS: dict[str, tuple[int, int]] = {
    "u16": (0, 0xFFFF),
    "i16": (-0x8000, 0x7FFF),
    "u32": (0, 0xFFFF_FFFF),
    "i32": (-0x8000_0000, 0x7FFF_FFFF),
}
SINGLE_MAX = 3.4028234663852886e38
"""The largest IEEE 754 single."""


class RegisterRange(NamedTuple):
    """Least and most value, and what one step of the register makes (0: a single, without one)."""

    least: float
    most: float
    step: float


def register_range(point: Point) -> RegisterRange:
    """The values that a point's register can hold, in the point's unit; 0 to 1 for a bool."""
    if point.is_bool:
        return RegisterRange(0.0, 1.0, 1.0)
    single = point.type == "f32"
    low, high = (-SINGLE_MAX, SINGLE_MAX) if single else INTEGER_LIMITS[point.type]
    ends = sorted((low * point.scale + point.offset, high * point.scale + point.offset))
    return RegisterRange(ends[0], ends[1], 0.0 if single else abs(point.scale))


def as_held(point: Point, value: float) -> float | None:
    """The value that the register holds when `value` is written; None if it cannot be written.

    A value above zero that would be held as zero cannot be written: the device would stand.
    """
    if point.scale == 0 or not math.isfinite(value):
        return None
    if point.type == "f32":
        return value if abs((value - point.offset) / point.scale) <= SINGLE_MAX else None
    raw = round((value - point.offset) / point.scale)
    low, high = INTEGER_LIMITS[point.type]
    held = raw * point.scale + point.offset
    if not low <= raw <= high or (held == 0 and value > 0):
        return None
    return held
