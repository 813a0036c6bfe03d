"""How long steps take, what time-outs that asks for, and when a step has drifted."""

from __future__ import annotations

import random
from statistics import NormalDist

import pytest

from linectl.crop.step_times import (
    CYCLES_LEAST,
    Spread,
    covered,
    has_drifted,
    propose,
    quantile,
    spread,
)

STEADY = spread([1_000] * 40)


def of(*, n: int = 40, median: float = 1_000, wide: float = 0, most: float | None = None) -> Spread:
    half = wide / 2
    return Spread(
        n, median - wide, median - half, median, median + half, median + wide, most or median + wide
    )


def test_quartiles_are_those_of_a_worked_example() -> None:
    # Type 7 on 1…9 and 1…10, as in the documentation of R's quantile() and of spreadsheets'
    # QUARTILE.INC: 3, 5, 7 and 3.25, 5.5, 7.75 (computed by hand: place = (n−1)·share).
    assert [quantile(list(range(1, 10)), share) for share in (0.25, 0.5, 0.75)] == [3, 5, 7]
    tens = [quantile(list(range(1, 11)), share) for share in (0.25, 0.5, 0.75)]
    assert tens == pytest.approx([3.25, 5.5, 7.75])


def test_an_empty_sample_has_no_spread() -> None:
    with pytest.raises(ValueError, match="no durations"):
        spread([])


def test_the_longest_of_59_covers_95_per_cent_with_95_per_cent_confidence() -> None:
    # The well-known sample size of a one-sided 95/95 tolerance limit (Wilks), from
    # memory: 0.95^59 = 0.0485 is the first below 0.05.
    assert covered(59) >= 0.95 > covered(58)
    assert covered(0) == 0.0


def test_what_covers_is_held_by_chance_itself() -> None:
    chance = random.Random(7)
    share = covered(20)
    below = NormalDist(1_000, 50).inv_cdf(share)
    missed = sum(max(chance.gauss(1_000, 50) for _ in range(20)) < below for _ in range(4_000))
    # 5 % of 4000 are 200; binomial standard deviation √(4000·0.05·0.95) = 13.8: four of them.
    assert abs(missed - 200) < 56


def test_a_time_out_is_the_longest_and_a_quarter_and_what_the_controller_needs() -> None:
    found = propose([of(most=1_640)], motion_ms=1_200, allowance_ms=120, now_ms=9_000, jam_ms=None)
    assert found.ms == 2_200  # 1640 × 1.25 + 120 = 2170, in whole tenths


def test_a_motion_longer_by_the_file_than_was_seen_counts_as_well() -> None:
    assert propose([STEADY], 6_500, 120, 10_000, None).ms == 8_300  # the far lane was not served


def test_a_jam_limit_is_never_passed() -> None:
    found = propose([of(most=5_000)], 3_000, 120, 6_000, jam_ms=5_500)
    assert (found.ms, found.why) == (5_500, "the jam limit")


def test_without_a_jam_limit_nothing_is_lengthened() -> None:
    found = propose([of(most=5_000)], 3_000, 120, 6_000, jam_ms=None)
    assert (found.ms, found.why) == (6_000, "no jam limit is declared: not lengthened")


def test_with_a_jam_limit_a_time_out_may_grow_up_to_it() -> None:
    assert propose([of(most=5_000)], 3_000, 120, 6_000, jam_ms=20_000).ms == 6_400


def test_good_cycles_that_take_longer_than_may_be_are_no_ground_for_a_time_out() -> None:
    found = propose([of(most=5_950)], 3_000, 120, 6_000, jam_ms=6_000)
    assert found.ms is None and "look at the machine" in found.why


def test_a_few_cycles_are_no_ground_for_a_proposal() -> None:
    few = of(n=CYCLES_LEAST - 1)
    assert propose([few], 1_000, 120, 6_000, None).ms is None
    assert propose([few, of(n=CYCLES_LEAST)], 1_000, 120, 6_000, None).ms == 1_400


def test_a_step_that_takes_as_long_as_before_has_not_drifted() -> None:
    assert not has_drifted(of(median=1_000, wide=40), of(median=1_010, wide=40), 120)


def test_a_step_that_takes_a_third_longer_has_drifted_and_so_has_one_a_third_shorter() -> None:
    assert has_drifted(of(median=1_350, wide=40), of(median=1_000, wide=40), 120)
    assert has_drifted(of(median=1_000, wide=40), of(median=1_350, wide=40), 120)


def test_what_the_controller_cannot_see_is_no_drift() -> None:
    assert not has_drifted(of(median=1_100), of(median=1_000), 120)  # within a poll
    assert not has_drifted(of(median=10_400), of(median=10_000), 120)  # 4 %


def test_notches_that_overlap_are_no_drift() -> None:
    # Half a notch: 1.57 × 800 ÷ √10 = 397 ms; two of them are more than the 600 ms between.
    wide = of(n=10, median=1_600, wide=800), of(n=10, median=1_000, wide=800)
    assert not has_drifted(*wide, 120)
    assert has_drifted(of(n=90, median=1_600, wide=800), of(n=90, median=1_000, wide=800), 120)


def test_alike_samples_are_seldom_called_drifted() -> None:
    chance = random.Random(11)

    def sample() -> Spread:
        return spread([chance.gauss(1_000, 300) for _ in range(30)])

    called = sum(has_drifted(sample(), sample(), 0) for _ in range(500))
    # At most about 5 % by the notches' own claim: 25 of 500, standard deviation 4.9; four of them.
    assert called <= 25 + 20
