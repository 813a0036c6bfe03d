"""A blend's counting, with crops that are ripe by chance: nothing lost, near what was asked."""

from __future__ import annotations

import random
from fractions import Fraction

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from linectl.crop.order import even_order
from linectl.line.blend_run import BlendRun, rows

NAMES = ("oak", "red", "frisee", "rocket")
CYCLES = st.lists(st.integers(1, 6), min_size=1, max_size=4).map(
    lambda counts: dict(zip(NAMES, counts, strict=False))
)


def never(crop: str) -> bool:
    return False


def begun(**cycle: int) -> BlendRun:
    run = BlendRun()
    run.begin("test", "anna", cycle, even_order(cycle).order)
    return run


def harvested(run: BlendRun, ejects: int, ripe, after=lambda: None) -> list[str]:
    """The crops that were ejected; `ripe(crop)` is asked anew before each."""
    went = []
    for _ in range(ejects):
        look = run.look(ripe, never, never, patient=True)
        if look.says == "take":
            run.took(look.crop, never)
            went.append(look.crop)
        after()
    return went


@settings(max_examples=60)
@given(cycle=CYCLES, seed=st.integers(0, 9999), scarce=st.sampled_from((0.1, 0.4, 0.8)))
def test_what_has_gone_stays_near_what_was_asked_and_nothing_is_lost(cycle, seed, scarce):
    """Each crop is gone for stretches of up to a cycle. The bound is the one that is stated."""
    chance, total = random.Random(seed), sum(cycle.values())
    out = dict.fromkeys(cycle, 0)
    run = begun(**cycle)

    def later() -> None:
        for crop in out:
            if out[crop]:
                out[crop] -= 1
            elif chance.random() < scarce:
                out[crop] = chance.randrange(total + 1)
        gone = sum(run.gone)
        for at, (crop, n) in enumerate(cycle.items()):
            owed, share = run.owed.count(crop), Fraction(n, total)
            assert run.turns[at] == run.gone[at] + owed + run.forgiven[at]
            assert owed <= n and not run.forgiven[at]
            assert abs(run.gone[at] - share * gone) < 1 + n * (1 - share)
            assert run.skipped[at] == run.made_up[at] + owed

    went = harvested(run, 60, lambda crop: not out[crop], later)
    assert len(went) == sum(run.gone) > 0
    assert [went.count(crop) for crop in cycle] == run.gone


@settings(max_examples=60)
@given(cycle=CYCLES, seed=st.integers(0, 9999))
def test_debts_are_made_up_in_the_order_they_came(cycle, seed):
    chance = random.Random(seed)
    run = begun(**cycle)
    for _ in range(60):
        ripe = {crop for crop in cycle if chance.random() < 0.6}
        look = run.look(ripe.__contains__, never, never, patient=True)
        owed = list(run.owed)
        to_be_had = [crop for crop in owed if crop in ripe]
        if look.says != "take":
            assert not to_be_had
            continue
        passed = run.took(look.crop, never)
        assert passed.made_up is bool(to_be_had)
        if to_be_had:
            assert look.crop == to_be_had[0]
            owed.remove(look.crop)
            assert run.owed == owed  # the others keep their places
        else:
            assert run.owed == owed + passed.skipped


@settings(max_examples=40)
@given(cycle=CYCLES, cycles=st.integers(1, 4))
def test_with_every_crop_ripe_the_order_itself_goes(cycle, cycles):
    run = begun(**cycle)
    order = even_order(cycle).order
    went = harvested(run, cycles * len(order), lambda crop: True)
    assert went == list(order) * cycles and not run.owed and not any(run.skipped)


def test_no_more_of_a_crop_is_owed_than_a_cycle_has_and_then_harvest_waits_for_it():
    run = begun(oak=4, rocket=2)
    went = harvested(run, 20, lambda crop: crop == "oak")
    look = run.look(lambda crop: crop == "oak", never, never, patient=True)
    assert (look.says, look.crop) == ("blocked", "rocket")
    assert run.owed == ["rocket", "rocket"] and set(went) == {"oak"} and 4 <= len(went) <= 6
    # a ripe rocket ends it, and so does a person who forgives
    assert run.look(lambda crop: True, never, never, patient=True) == ("take", "rocket")
    assert run.forgive("rocket") == 2 and not run.owed
    look = run.look(lambda crop: crop == "oak", never, never, patient=True)
    assert look == ("take", "oak")


def test_harvest_waits_for_a_tail_that_is_coming_until_its_patience_ends():
    run = begun(oak=1, rocket=1)
    first, second = run.order
    ask = (lambda crop: crop == second, lambda crop: crop == first, never)
    assert run.look(*ask, patient=True) == ("wait", first)
    assert run.look(*ask, patient=False) == ("take", second)
    run.took(second, never)
    assert run.owed == [first]


def test_looking_ahead_owes_nothing_while_nothing_can_be_had():
    run = begun(oak=1, rocket=1)
    assert run.look(never, never, never, patient=True).says == "nothing"
    assert not run.owed and run.turns == [0, 0]


def test_a_crop_that_cannot_come_today_is_passed_without_a_debt():
    run = begun(oak=2, rocket=1)
    for _ in range(9):
        look = run.look(lambda crop: crop == "oak", never, lambda crop: crop == "rocket", True)
        run.took(look.crop, lambda crop: crop == "rocket")
    assert run.gone == [9, 0] and not run.owed and run.forgiven[1] >= 4


def test_a_gutter_of_no_crop_of_the_blend_is_counted_beside_it():
    run = begun(oak=1)
    run.took("rocket", never)
    assert (run.beside, run.gone, run.place) == (1, [0], 0)


def test_masses_are_weighed_where_a_scale_did_and_reckoned_by_yield_elsewhere():
    run = begun(oak=1, rocket=1)
    for _ in range(4):
        run.took(run.turn(), never)
    run.weigh("oak", 2.5)
    told = {row["crop"]: row for row in rows(run, {"oak": 2.0, "rocket": 0.5})}
    assert told["oak"]["gone_kg"] == pytest.approx(2.5 + 2.0)
    assert told["oak"]["asked_kg"] == pytest.approx(4.0)
    assert told["rocket"]["gone_kg"] == pytest.approx(1.0)
    assert told["oak"]["gone_kg_share"] == pytest.approx(4.5 / 5.5, abs=1e-4)
    assert told["oak"]["asked_share"] == 0.5 and told["oak"]["weighed"] == 1
