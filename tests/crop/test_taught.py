"""A place from approaches of both sides: mean, spread, reversal, and when it is not written."""

from __future__ import annotations

import pytest

from linectl.crop.taught import against, taught


def test_mean_reversal_and_range_are_those_of_a_positioning_test() -> None:
    # ISO 230-2 (from memory): the mean bidirectional deviation is (x↑ + x↓)/2, the reversal
    # value x↑ − x↓, here by hand: (1003 + 999)/2 = 1001, 1003 − 999 = 4.
    one = taught([1_002, 1_003, 1_004], [998, 999, 1_000])
    assert (one.mean_mm, one.hysteresis_mm, one.spread_mm, one.n) == (1_001, 4, 2, 3)
    assert one.off_mm == 4  # half the reversal and the range


def test_a_place_seen_from_one_side_only_is_none() -> None:
    with pytest.raises(ValueError, match="both sides"):
        taught([1_000], [])


@pytest.mark.parametrize(
    ("up", "down", "why"),
    [
        ([1_000, 1_001], [1_000, 1_001], ""),
        ([1_000, 1_008], [1_000, 1_001], "spread 8.0 mm"),
        ([1_016, 1_016], [1_000, 1_000], "hysteresis +16.0 mm"),
        ([1_101, 1_101], [1_101, 1_101], "+101 mm from what the file says"),
        ([1_100, 1_100], [1_100, 1_100], ""),
    ],
)
def test_too_much_spread_slack_or_way_speaks_against_it(up, down, why) -> None:  # type: ignore[no-untyped-def]
    told = against(taught(up, down), found_mm=1_000, tolerance_mm=15, bound_mm=100)
    assert why in told and bool(why) is bool(told)


def test_a_place_that_reads_below_zero_is_not_written() -> None:
    assert "set the encoder's zero" in against(taught([-4], [-4]), 0, 15, 100)
