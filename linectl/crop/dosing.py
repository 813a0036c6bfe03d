"""Doses given while a gutter passes a tool: rates from amounts and times, and back.

A dose is spread evenly over the time the tool works: rate × time = amount. The sources are the
definitions of rate and speed; nothing here is empirical.
"""

from __future__ import annotations

from typing import NamedTuple

from linectl.crop.above_zero import above_zero


def passing_ms(length_mm: float, speed_mm_s: float) -> float:
    """Milliseconds that a gutter's `length_mm` takes past a point at constant `speed_mm_s`.

    Raises ValueError unless both are above zero.
    """
    above_zero(length_mm=length_mm, speed_mm_s=speed_mm_s)
    return length_mm * 1000 / speed_mm_s


def rate_per_s(amount: float, worked_ms: float) -> float:
    """Rate that gives `amount` in `worked_ms`: per second, in the amount's own unit.

    Raises ValueError if the amount is negative or the time not above zero.
    """
    above_zero(worked_ms=worked_ms)
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


def worked_mm(gutter_mm: float, tool_mm: float, entry_eye_mm: float, lead_mm: float) -> float:
    """The stretch of a gutter, in mm, that a tool works on: it starts when the head is `lead_mm`
    past it, and stops when the tail passes the entry eye, upstream of it.

    Raises ValueError if nothing is left.
    """
    worked = gutter_mm - (tool_mm + lead_mm - entry_eye_mm)
    above_zero(worked_mm=worked)
    return worked


def ml_per_mm(rate_ml_s: float, speed_mm_s: float) -> float:
    """What a doser of `rate_ml_s` lays on each mm of a belt at `speed_mm_s`: rate ÷ feed speed.

    Kept the same while the belt's speed changes, the dose stays the same.
    """
    above_zero(speed_mm_s=speed_mm_s)
    return rate_ml_s / speed_mm_s


def valve_ms(water_ml: float, flow_ml_s: float) -> float:
    """How long a valve must be open to let `water_ml` through at `flow_ml_s`, in ms."""
    above_zero(flow_ml_s=flow_ml_s)
    if water_ml < 0:
        raise ValueError(f"water_ml {water_ml} is negative")
    return water_ml / flow_ml_s * 1000


def asked(wanted: float, factor: float) -> float:
    """What a device must be asked for so that `wanted` comes, if `factor` comes for each one asked.

    Raises ValueError unless the factor is above zero.
    """
    above_zero(factor=factor)
    return wanted / factor


def pulses(water_ml: float, pulses_per_l: float) -> float:
    """Pulses of the water meter for `water_ml`; not rounded. ValueError unless both fit."""
    above_zero(pulses_per_l=pulses_per_l)
    if water_ml < 0:
        raise ValueError(f"water_ml {water_ml} is negative")
    return water_ml / 1000 * pulses_per_l


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
    above_zero(speed_mm_s=speed_mm_s)
    if not 0 <= quickest_ms <= worst_ms:
        raise ValueError(f"reactions from {quickest_ms} to {worst_ms} ms are not a range")
    mean_ms, jitter_ms = (quickest_ms + worst_ms) / 2, (worst_ms - quickest_ms) / 2
    return ToolError(speed_mm_s * mean_ms / 1000, speed_mm_s * jitter_ms / 1000)
