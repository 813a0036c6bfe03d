"""Plants per square metre: a published pair of densities, and areas counted plant by plant."""

from __future__ import annotations

import pytest

from linectl.crop.density import Stage, along, area_m2, per_m2, plants_m2

FOOT_M = 0.3048
"""International foot, exactly (NIST SP 811, appendix B.8)."""
BOARD_M2 = (2 * FOOT_M) * (4 * FOOT_M)


def test_sixty_then_twenty_one_plants_on_a_board_of_two_by_four_feet():
    """Rutgers Horticultural Engineering, as quoted in the trade's facts: 80.7 and 28.3 per m²."""
    assert per_m2(60, BOARD_M2) == pytest.approx(80.7, abs=0.05)
    assert per_m2(21, BOARD_M2) == pytest.approx(28.3, abs=0.05)


def test_an_area_is_the_sum_of_days_by_density():
    """Rutgers' rule, counted: 100 plants a day, 12 days at 60 a board and 14 at 21 a board stand on
    1,200 ÷ 60 = 20 and 1,400 ÷ 21 = 66⅔ boards. (The days are invented.)"""
    stages = [Stage(12, per_m2(60, BOARD_M2)), Stage(14, per_m2(21, BOARD_M2))]
    assert area_m2(100, stages) == pytest.approx((20 + 200 / 3) * BOARD_M2)


def test_spacing_pitch_and_rows_give_the_density_of_a_counted_square():
    """By hand: 100 gutters at 100 mm on 10 m, 50 plants at 200 mm along 10 m of each: 5,000 plants
    on 100 m²."""
    assert plants_m2(100, 200) == 50
    assert plants_m2(100, 200, rows=2) == 100


def test_density_falls_as_a_lane_widens_and_its_gutters_age():
    lane = along([100, 100, 150, 200], days=24, spacing_mm=200)
    assert [(a.slot, a.age_days, a.plants_m2) for a in lane] == [
        (0, 6, 50), (1, 12, 50), (2, 18, pytest.approx(100 / 3)), (3, 24, 25),
    ]  # fmt: skip


def test_a_lanes_own_decks_are_the_area_that_its_flow_takes():
    """Stages of a lane by its slots: Σ days ÷ density comes to the deck that its slots have."""
    own, days, spacing, length = [90.0] * 5 + [180.0] * 10, 30.0, 150.0, 5400.0
    a_slot = days / len(own)
    stages = [Stage(a_slot, a.plants_m2) for a in along(own, days, spacing)]
    plants_a_gutter = length / spacing
    gutters_a_day = len(own) / days
    assert area_m2(plants_a_gutter * gutters_a_day, stages) == pytest.approx(
        sum(own) * length / 1e6
    )


@pytest.mark.parametrize(
    "wrong",
    [
        lambda: per_m2(1, 0),
        lambda: per_m2(-1, 1),
        lambda: plants_m2(0, 150),
        lambda: plants_m2(90, 150, rows=0),
        lambda: area_m2(1, [Stage(3, 0)]),
        lambda: area_m2(1, [Stage(-3, 10)]),
    ],
)
def test_what_has_no_density_is_refused(wrong):
    with pytest.raises(ValueError, match=r"no density|not all above 0|holds nothing|not a stand"):
        wrong()
