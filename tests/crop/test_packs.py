"""Packs: filled to their label, counted in whole grams, and never more than there is."""

from __future__ import annotations

import os
import random
from itertools import product

import pytest

from linectl.crop.blends import Yield, smallest_cycle, weighs
from linectl.crop.lanes import standing
from linectl.crop.order import even_order
from linectl.crop.packs import as_many, least_unsold, pack, serve, whole_grams
from linectl.site.masses import parse_mass_kg

FULL = os.environ.get("LINECTL_CAMPAIGN") == "full"
SMALL, LARGE = pack(0.125), pack(0.250)


def balanced(split):
    return sum(each.packs * each.pack.fill_g for each in split.filled) + split.left_g


def test_a_target_lies_above_the_label_by_what_the_filling_spreads():
    """125 g, filled ± 1.4 g, z = 2: 127.8 g, on a scale of whole grams 128; 3 g given away."""
    size = pack(0.125, 0.0014)
    assert (size.fill_g, size.giveaway_mg) == (128, 3_000)


def test_with_z_of_nought_only_what_the_scale_cannot_show_is_given_away():
    """Four ounces are 113.398 g (NIST SP 811: 28.349 52 g each); a scale shows 114."""
    size = pack(parse_mass_kg("4oz"), 0.01, z=0)
    assert (size.fill_g, size.label_mg, size.giveaway_mg) == (114, 113_399, 601)
    assert pack(0.125, 0.01, z=0).giveaway_mg == 0


def test_a_decimal_is_no_gram_more_than_it_says():
    """0.07 kg is 70.000 000 000 000 01 g in binary arithmetic."""
    assert pack(0.07).fill_g == 70
    assert [whole_grams(kg) for kg in (0.07, 1.1, 26.1999, -3)] == [70, 1_100, 26_199, 0]


def test_about_98_packs_of_100_reach_their_label():
    """Φ(2) = 0.977 (tables of the normal distribution)."""
    size, chance = pack(0.125, 0.002), random.Random(24)
    drawn = 50_000 if FULL else 10_000
    reached = sum(chance.gauss(size.fill_g, 2) >= 125 for _ in range(drawn))
    assert reached / drawn == pytest.approx(0.977, abs=0.005)


def test_as_many_of_one_size_as_there_is_mass_for():
    """10 kg: 78 packs filled to 128 g are 9984 g; 78 × 3 g given away, 16 g left."""
    split = as_many(10_000, pack(0.125, 0.0014))
    assert (split.filled[0].packs, split.left_g, split.giveaway_mg) == (78, 16, 234_000)
    assert split.sold_mg == 78 * 125_000


def test_orders_are_filled_one_after_the_other_and_the_short_ones_are_told():
    """5 kg: 12 × 250 g, then 20 × 125 g asked, of which 16 are had."""
    split = serve(5_000, [(LARGE, 12), (SMALL, 20)])
    assert [(each.packs, each.short) for each in split.filled] == [(12, 0), (16, 4)]
    assert (split.left_g, split.giveaway_mg) == (0, 0)


def test_a_smaller_pack_is_still_filled_where_a_larger_one_is_short():
    split = serve(300, [(LARGE, 2), (SMALL, 1), (pack(0.04), 1)])
    assert [(each.packs, each.short) for each in split.filled] == [(1, 1), (0, 1), (1, 0)]


def test_never_more_is_sold_than_there_is():
    chance = random.Random(25)
    for _ in range(100):
        sizes = [pack(chance.randint(20, 900) / 1000, chance.choice([0, 0.002])) for _ in range(3)]
        mass = chance.randint(0, 5_000)
        for split in (
            serve(mass, [(size, chance.randint(0, 30)) for size in sizes]),
            as_many(mass, sizes[0]),
            least_unsold(mass, sizes),
        ):
            assert balanced(split) == mass
            assert split.left_g >= 0
            assert split.sold_mg <= mass * 1000


def test_no_split_sells_more():
    chance = random.Random(26)
    for _ in range(2_000 if FULL else 150):
        sizes = [
            pack(chance.randint(10, 60) / 1000, chance.choice([0, 0.0013]), chance.choice([0, 2]))
            for _ in range(chance.randint(1, 3))
        ]
        mass = chance.randint(0, 250)
        split = least_unsold(mass, sizes)
        best = 0
        for counts in product(*(range(mass // size.fill_g + 1) for size in sizes)):
            pairs = list(zip(counts, sizes, strict=True))
            if sum(n * size.fill_g for n, size in pairs) <= mass:
                best = max(best, sum(n * size.label_mg for n, size in pairs))
        assert split.sold_mg == best
        assert balanced(split) == mass


def test_a_great_mass_is_split_as_well_as_a_small_one():
    """Beyond what is tried gram by gram everything goes into the best size: the same as trying
    all of it."""
    chance = random.Random(27)
    for _ in range(40):
        sizes = [pack(chance.randint(2, 9) / 1000, 0.0003, 1) for _ in range(3)]
        mass = chance.randint(500, 3_000)
        sold = [0] * (mass + 1)
        for grams in range(1, mass + 1):
            had = (sold[grams - s.fill_g] + s.label_mg for s in sizes if s.fill_g <= grams)
            sold[grams] = max(sold[grams - 1], *had, 0)
        assert least_unsold(mass, sizes).sold_mg == sold[mass]


@pytest.mark.parametrize("wrong", [(0.0, 0.0, 2.0), (0.1, -0.001, 2.0), (0.1, 0.0, -1.0)])
def test_a_pack_that_cannot_be_is_refused(wrong):
    with pytest.raises(ValueError, match="above zero"):
        pack(*wrong)


def test_a_mass_below_nothing_or_a_split_of_no_sizes_is_refused():
    for wrong in (
        lambda: serve(-1, []), lambda: as_many(-1, SMALL), lambda: serve(1, [(SMALL, -1)]),
        lambda: least_unsold(1, []), lambda: least_unsold(10**8, [pack(4.999), pack(9.973)]),
    ):  # fmt: skip
        with pytest.raises(ValueError, match=r"below zero|is none|no sizes|too much"):
            wrong()


def test_a_mixture_of_the_trade():
    """Five, two, one and one gutters; just under 5 lb the heaviest, about 2 lb the lightest; packs
    of 4 oz, 8 oz and 2.5 lb; 19 to 25 days (common practice, no source). By hand:
    5 × 4.9 + 2 × 3.4 + 2.6 + 2 = 35.9 lb = 16.284 kg a cycle of nine gutters."""
    gutters = {"heavy": 5, "second": 2, "third": 1, "light": 1}
    pounds = {"heavy": "4.9lb", "second": "3.4lb", "third": "2.6lb", "light": "2lb"}
    days = {"heavy": 25, "second": 23, "third": 21, "light": 19}
    yields = {crop: Yield(parse_mass_kg(text)) for crop, text in pounds.items()}
    cycle = weighs(gutters, yields)
    assert cycle.kg == pytest.approx(35.9 * 0.45359237)
    assert list(cycle.shares.values()) == pytest.approx(
        [24.5 / 35.9, 6.8 / 35.9, 2.6 / 35.9, 2 / 35.9]
    )
    assert smallest_cycle(cycle.shares, yields, 0.005) == gutters
    assert even_order(gutters).deviation < 1
    ten = whole_grams(10 * cycle.kg)
    ounces4, ounces8, pounds25 = (pack(parse_mass_kg(size)) for size in ("4oz", "8oz", "2.5lb"))
    assert ten == 162_839
    assert [as_many(ten, size).filled[0].packs for size in (ounces4, ounces8, pounds25)] == [
        1_428, 717, 143,
    ]  # fmt: skip
    # Ten such cycles a day keep so many slots full (Little): 50 × 25 + 20 × 23 + 10 × 21 + 10 × 19.
    assert sum(standing(10 * gutters[crop], days[crop]) for crop in gutters) == 2_110
