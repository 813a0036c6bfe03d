"""Cycles by mass are the shortest there are; what a cycle weighs, and how far one may be off."""

from __future__ import annotations

import os
import random
from fractions import Fraction
from itertools import combinations, pairwise

import pytest

from linectl.crop.blends import LENGTH_MAX, Yield, shares_of, smallest_cycle, weighs

FULL = os.environ.get("LINECTL_CAMPAIGN") == "full"
INVENTED = {"a": Yield(2.3), "b": Yield(1.7), "c": Yield(1.2), "d": Yield(0.9)}


def all_cycles(length, crops):
    for cuts in combinations(range(1, length), crops - 1):
        yield [high - low for low, high in pairwise((0, *cuts, length))]


def worst_miss(counts, yields, wanted):
    """Of a cycle; yields and shares wanted are whole numbers. Nothing borrowed from the search."""
    whole = sum(wanted)
    masses = [count * kg for count, kg in zip(counts, yields, strict=True)]
    mass = sum(masses)
    misses = (abs(m * whole - w * mass) for m, w in zip(masses, wanted, strict=True))
    return Fraction(max(misses), mass * whole)


def shortest(yields, wanted, hundredths):
    """(length, least worst miss at that length) by trying every cycle there is."""
    for length in range(len(yields), 40):
        best = min(worst_miss(c, yields, wanted) for c in all_cycles(length, len(yields)))
        if best <= Fraction(hundredths, 100):
            return length, best
    return None


def test_seven_four_two_one_by_hand():
    """16.1 + 6.8 + 2.4 + 0.9 = 26.2 kg (invented yields)."""
    told = weighs({"a": 7, "b": 4, "c": 2, "d": 1}, INVENTED)
    assert told.kg == pytest.approx(26.2)
    assert [round(share, 4) for share in told.shares.values()] == [0.6145, 0.2595, 0.0916, 0.0344]


def test_those_shares_asked_by_mass_give_the_gutters_back():
    asked = {"a": 0.6145, "b": 0.2595, "c": 0.0916, "d": 0.0344}
    assert smallest_cycle(asked, INVENTED, 0.001) == {"a": 7, "b": 4, "c": 2, "d": 1}


def test_no_shorter_cycle_and_none_of_that_length_comes_nearer():
    chance = random.Random(22)
    lengths = []
    for _ in range(500 if FULL else 150):
        crops = chance.randint(1, 4)
        yields = [chance.randint(5, 50) for _ in range(crops)]
        wanted = [chance.randint(1, 20) for _ in range(crops)]
        hundredths = chance.choice([1, 2, 5, 10] if FULL or crops < 4 else [5, 10])
        enumerated = shortest(yields, wanted, hundredths)
        if enumerated is None:  # longer than the enumeration goes
            continue
        names = "abcd"[:crops]
        cycle = smallest_cycle(
            dict(zip(names, wanted, strict=True)),
            {name: Yield(kg / 10) for name, kg in zip(names, yields, strict=True)},
            hundredths / 100,
        )
        counts = [cycle[name] for name in names]
        assert (sum(counts), worst_miss(counts, yields, wanted)) == enumerated
        lengths.append(sum(counts))
    assert len(lengths) > 100
    assert max(lengths) > 20  # or nothing was searched


def test_a_miss_as_great_as_the_tolerance_is_within_it():
    """1 : 1 of equal yields are halves; 0.6 and 0.4 are missed by exactly a tenth. Of 2 : 1 they
    are missed by a fifteenth."""
    equal = {"a": Yield(0.7), "b": Yield(0.7)}
    assert smallest_cycle({"a": 0.6, "b": 0.4}, equal, 0.1) == {"a": 1, "b": 1}
    assert smallest_cycle({"a": 0.6, "b": 0.4}, equal, 0.0999) == {"a": 2, "b": 1}


def test_a_crop_of_which_little_is_asked_still_has_a_gutter():
    assert smallest_cycle({"a": 0.99, "b": 0.01}, {"a": Yield(1), "b": Yield(1)}, 0.5) == {
        "a": 1,
        "b": 1,
    }


def test_shares_need_not_add_up_to_one():
    asked = {"a": 45, "b": 25, "c": 30}
    assert shares_of(asked) == pytest.approx({"a": 0.45, "b": 0.25, "c": 0.3})
    parts = {crop: share / 100 for crop, share in asked.items()}
    assert smallest_cycle(asked, INVENTED, 0.02) == smallest_cycle(parts, INVENTED, 0.02)


def test_the_spread_of_a_cycle_by_hand():
    """One gutter each of 2 ± 0.3 and 2 ± 0.4 kg: 4 ± 0.5 kg; share ½, and to first order its
    standard deviation is √(0.5²·0.3² + 0.5²·0.4²) / 4 = 0.0625. Nine times as many gutters: the
    mass spreads three times as much, the share a third."""
    yields = {"a": Yield(2, 0.3), "b": Yield(2, 0.4)}
    one = weighs({"a": 1, "b": 1}, yields)
    assert (one.kg, one.sd_kg) == pytest.approx((4, 0.5))
    assert one.share_sds == pytest.approx({"a": 0.0625, "b": 0.0625})
    nine = weighs({"a": 9, "b": 9}, yields)
    assert (nine.kg, nine.sd_kg) == pytest.approx((36, 1.5))
    assert nine.share_sds["a"] == pytest.approx(0.0625 / 3)


def test_what_days_differ_by_does_not_even_out_over_a_day_s_gutters():
    """100 gutters of 2 ± 0.3 kg, days ± 0.04 kg: √(100 · 0.09 + (100 · 0.04)²) = 5 kg."""
    assert weighs({"a": 100}, {"a": Yield(2, 0.3, 0.04)}).sd_kg == pytest.approx(5)


def test_the_spread_is_that_of_drawn_days():
    """Days and gutters drawn, both normal: the standard deviations agree within 4 %."""
    gutters = {"a": 5, "b": 2, "c": 1, "d": 1}
    yields = {c: Yield(each.kg, 0.15 * each.kg, 0.06 * each.kg) for c, each in INVENTED.items()}
    told = weighs(gutters, yields)
    chance = random.Random(23)
    masses, shares = [], []
    for _ in range(100_000 if FULL else 5_000):
        drawn = {}
        for crop, count in gutters.items():
            day = chance.gauss(yields[crop].kg, yields[crop].day_sd_kg)
            drawn[crop] = sum(chance.gauss(day, yields[crop].sd_kg) for _ in range(count))
        masses.append(sum(drawn.values()))
        shares.append(drawn["a"] / masses[-1])
    assert deviation(masses) == pytest.approx(told.sd_kg, rel=0.04)
    assert deviation(shares) == pytest.approx(told.share_sds["a"], rel=0.04)


def deviation(drawn):
    mean = sum(drawn) / len(drawn)
    return (sum((x - mean) ** 2 for x in drawn) / len(drawn)) ** 0.5


@pytest.mark.parametrize(
    ("mass", "tolerance", "why"),
    [({}, 0.02, "no crops"), ({"a": 0}, 0.02, "a: a share of 0"), ({"a": 1, "b": -1}, 0.02, "b: "),
     ({"x": 1}, 0.02, "x: its yield"), ({"a": 1}, 0, "tolerance"), ({"a": 1}, 1, "tolerance"),
     ({"z": 1}, 0.1, "z: a yield of 0"), ({"a": float("nan")}, 0.1, "a: a share")],
)  # fmt: skip
def test_what_is_no_blend_is_refused_by_name(mass, tolerance, why):
    with pytest.raises(ValueError, match=why):
        smallest_cycle(mass, {**INVENTED, "z": Yield(0)}, tolerance)


def test_a_blend_that_no_cycle_meets_says_how_far_was_looked():
    asked = {"a": 1.0, "b": 0.001}
    with pytest.raises(ValueError, match=rf"up to {LENGTH_MAX} gutters.*widen the tolerance"):
        smallest_cycle(asked, INVENTED, 0.0001)


def test_no_gutters_have_no_shares():
    with pytest.raises(ValueError, match="no shares"):
        weighs({}, INVENTED)
