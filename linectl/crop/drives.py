"""Drives that are told a frequency: speeds and rates to hertz and back, by a measured line.

    value = per_hz · (Hz − offset_hz)

The synchronous speed of a motor is proportional to the frequency (definition); slip and leakage
make the offset. Two points measured between the limits give both numbers.
"""

from __future__ import annotations


def hertz(value: float, per_hz: float, offset_hz: float) -> float:
    """The frequency in Hz that gives `value` (ml/s, seeds/s, mm/s); 0 Hz for 0: a drive at rest.

    Raises ValueError for a negative value or a per_hz that is not above zero.
    """
    if value < 0 or per_hz <= 0:
        raise ValueError(f"{value} at {per_hz} for each Hz cannot be")
    return value / per_hz + offset_hz if value else 0.0


def value_at(hz: float, per_hz: float, offset_hz: float) -> float:
    """What the drive gives at a frequency; 0 at its offset and below. ValueError as `hertz`."""
    if hz < 0 or per_hz <= 0:
        raise ValueError(f"{hz} Hz at {per_hz} for each Hz cannot be")
    return max(0.0, per_hz * (hz - offset_hz)) if hz else 0.0


def line_through(low: tuple[float, float], high: tuple[float, float]) -> tuple[float, float]:
    """(per_hz, offset_hz) of the line through two measured points (Hz, value).

    Raises ValueError unless the second has more of both.
    """
    (hz_1, value_1), (hz_2, value_2) = low, high
    if hz_2 <= hz_1 or value_2 <= value_1:
        raise ValueError(f"{low} and {high} do not rise")
    per_hz = (value_2 - value_1) / (hz_2 - hz_1)
    return per_hz, hz_1 - value_1 / per_hz
