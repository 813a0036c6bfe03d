"""Hertz for a speed and back: a line through two measured points."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from linectl.crop import drives


def test_two_measured_points_give_the_line_and_the_frequency_between_them() -> None:
    # 10 Hz gave 128 ml/s, 50 Hz gave 768: 640 ml/s on 40 Hz are 16 a hertz, none at 2 Hz.
    per_hz, offset_hz = drives.line_through((10, 128), (50, 768))
    assert (per_hz, offset_hz) == (16, 2)
    assert drives.hertz(448, per_hz, offset_hz) == 30


def test_a_drive_at_rest_is_told_0_hz_not_its_offset() -> None:
    assert drives.hertz(0, 16, 2) == 0
    assert drives.value_at(0, 16, -2) == 0


@given(st.floats(0.01, 1000), st.floats(0.01, 100), st.floats(-5, 5))
def test_the_frequency_of_a_value_gives_that_value(
    value: float, per_hz: float, offset_hz: float
) -> None:
    hz = drives.hertz(value, per_hz, offset_hz)
    if hz > 0:
        assert drives.value_at(hz, per_hz, offset_hz) == pytest.approx(value)


@pytest.mark.parametrize("high", [(10, 900), (50, 128), (5, 900)])
def test_points_that_do_not_rise_give_no_line(high: tuple[float, float]) -> None:
    with pytest.raises(ValueError, match="do not rise"):
        drives.line_through((10, 128), high)
