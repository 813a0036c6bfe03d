"""Doses given while a gutter passes a tool: rates from amounts and times, and back.

A dose is spread evenly over the time the tool works: rate × time = amount. The sources are the
definitions of rate and speed; nothing here is empirical.
"""

from __future__ import annotations

from typing import NamedTuple


def passing_ms(length_mm: float, speed_mm_s: float) -> float:
    """Milliseconds that a gutter's `length_mm` takes past a point at constant `speed_mm_s`.

    Raises ValueError unless both are above zero.
    """
    _above_zero(length_mm=length_mm, speed_mm_s=speed_mm_s)
    return length_mm / speed_mm_s * 1000


def rate_per_s(amount: float, worked_ms: float) -> float:
    """Rate that gives `amount` in `worked_ms`: per second, in the amount's own unit.

    Raises ValueError if the amount is negative or the time not above zero.
    """
    _above_zero(worked_ms=worked_ms)
    if amount < 0:
        raise ValueError(f"amount {amount} is negative")
    return amount * 1000 / worked_ms


def doser_ml_s(substrate_l: float, worked_ms: float) -> float:
    """Doser rate in ml/s of loose substrate for `substrate_l` litres a gutter."""
    return rate_per_s(substrate_l * 1000, worked_ms)


def water_ml_s(water_ml: float, worked_ms: float) -> float:
    """Flow set-point in ml/s for `water_ml` a gutter."""
    return rate_per_s(water_ml, worked_ms)


def drum_seeds_s(seeds_per_gutter: int, worked_ms: float) -> float:
    """Drum rate in seeds/s at belt speed."""
    return rate_per_s(seeds_per_gutter, worked_ms)


def pulses(water_ml: float, pulses_per_l: float) -> float:
    """Pulses of the water meter for `water_ml`; not rounded. ValueError unless both fit."""
    _above_zero(pulses_per_l=pulses_per_l)
    if water_ml < 0:
        raise ValueError(f"water_ml {water_ml} is negative")
    return water_ml / 1000 * pulses_per_l


def spacing_mm(length_mm: float, seeds: int, per_cell: int = 1) -> float:
    """Distance between cells in mm when `seeds` lie evenly over `length_mm`, `per_cell` each.

    Raises ValueError unless all are above zero.
    """
    _above_zero(length_mm=length_mm, seeds=seeds, per_cell=per_cell)
    return length_mm * per_cell / seeds


class ToolError(NamedTuple):
    """Where a polled tool starts or stops, in mm of gutter: late by `mean_mm`, give or take."""

    mean_mm: float
    jitter_mm: float
    """Half the width between earliest and latest."""


def tool_error_mm(speed_mm_s: float, quickest_ms: float, worst_ms: float) -> ToolError:
    """Position error of a tool whose reaction lies between `quickest_ms` and `worst_ms`.

    Speed × reaction, mean and jitter apart: the mean can be compensated, the jitter cannot.
    Raises ValueError unless 0 ≤ quickest ≤ worst and the speed is above zero.
    """
    _above_zero(speed_mm_s=speed_mm_s)
    if not 0 <= quickest_ms <= worst_ms:
        raise ValueError(f"reactions from {quickest_ms} to {worst_ms} ms are not a range")
    mean_ms, jitter_ms = (quickest_ms + worst_ms) / 2, (worst_ms - quickest_ms) / 2
    return ToolError(speed_mm_s * mean_ms / 1000, speed_mm_s * jitter_ms / 1000)


def _above_zero(**numbers: float) -> None:
    for name, number in numbers.items():
        if number <= 0:
            raise ValueError(f"{name} {number} must be above zero")
