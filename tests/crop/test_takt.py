"""Takt by station. Motions by uniform acceleration, worked by hand; makespan exactly."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from linectl.crop import takt
from linectl.crop.takt import Arm, Belt, Cycle, RunTimes, Step, TransferTimes
from linectl.site.motions import belt_ms, run_on_mm, travel_ms

ZONE = Belt(length_mm=6000, entry_eye_mm=150, exit_eye_mm=5750, speed_mm_s=250, ramp_ms=300)
ARM = Arm(15_000, 800, 1_000, 2_500, 400, (0, 6_000, 12_000, 18_000, 24_000, 30_000))


def test_a_belt_takes_half_its_ramp_longer_than_length_over_speed() -> None:
    assert belt_ms(6000, 250, 300) == 24_150


def test_a_belt_still_in_its_ramp_follows_the_square_root() -> None:
    """250 mm/s in 300 ms is 833 mm/s²; s = a·t²/2, so 9.375 mm take 150 ms."""
    assert belt_ms(9.375, 250, 300) == pytest.approx(150)


def test_a_carriage_over_15_m_at_08_m_s_with_1_s_ramps_takes_1975_s() -> None:
    assert travel_ms(15_000, 800, 1_000) == 19_750
    assert ARM.farthest_ms() == 19_750


def test_a_way_shorter_than_both_ramps_is_a_triangle() -> None:
    """200 mm at 800 mm/s²: half of it in √(2·100/800) = 0.5 s, so 1 s in all."""
    assert travel_ms(200, 800, 1_000) == pytest.approx(1_000)
    assert travel_ms(0, 800, 1_000) == 0


@given(st.integers(1, 50_000), st.integers(1, 2_000), st.integers(1, 5_000))
def test_travel_is_continuous_and_grows_with_the_way(way: int, speed: int, ramp: int) -> None:
    here, beyond = travel_ms(way, speed, ramp), travel_ms(way + 1, speed, ramp)
    assert here < beyond
    assert here == pytest.approx(travel_ms(-way, speed, ramp))
    assert here >= way / speed * 1000


def test_run_on_is_reaction_at_speed_and_half_the_ramp() -> None:
    assert run_on_mm(250, 150, 300) == 75


def test_in_and_out_of_a_zone_count_from_the_head_at_rest() -> None:
    """With 50 ms of reaction the head rests 50 mm past the eye, 200 mm from the zone's end."""
    assert ZONE.left_mm(50) == 200
    assert takt.draw_in(ZONE, ZONE, 50).ms == (200 + 5750) / 250 * 1000 + 150
    assert takt.give_on(ZONE, ZONE, 5400, 50).ms == (200 + 150 + 5400) / 250 * 1000 + 150


def test_a_tamper_holds_a_gutter_for_its_clamp_press_and_standstill() -> None:
    steps = takt.tamping(clamp_ms=600, press_ms=8_000, still_ms=350)
    assert sum(step.ms for step in steps) == pytest.approx(350 + 600 + 8_000)


def test_every_step_pays_its_reaction() -> None:
    cycle = Cycle("tamp", (Step("in", 1_000), Step("out", 2_000)), 70)
    assert cycle.cycle_ms == 3_140
    assert cycle.gutters_per_hour == pytest.approx(3_600_000 / 3_140)


def test_a_carriage_goes_to_the_farthest_lane_and_back() -> None:
    cycle = takt.carriage("infeed", ARM, allowance_ms=0)
    assert cycle.cycle_ms == 2 * 19_750 + 2 * (2_500 + 400 + 2_500)


def test_a_lane_moves_one_thing_at_a_time() -> None:
    """Two runs of 6 + 4 s; a lift of 6 + 8 + 6 + 8 s; 10.8 s of hands: 58.8 s, 61 an hour."""
    runs = [RunTimes(6_000, 4_000)] * 2
    cycle = takt.lane("lane1", runs, [TransferTimes(6_000, 8_000)], 10_800, 0)
    assert cycle.cycle_ms == 58_800
    level = takt.lane("lane1", runs, [TransferTimes(6_000, 0)], 10_800, 0)
    assert level.cycle_ms == 20_000 + 6_000 + 10_800


def test_identical_gutters_need_sum_plus_the_slowest_for_each_further_one() -> None:
    assert takt.makespan_ms([24, 57, 47], 1) == 128
    assert takt.makespan_ms([24, 57, 47], 10) == 128 + 9 * 57
    assert takt.makespan_ms([24, 57, 47], 0) == 0


@given(st.lists(st.integers(1, 100), min_size=1, max_size=6), st.integers(1, 12))
def test_the_makespan_is_that_of_a_line_without_buffers(times: list[int], jobs: int) -> None:
    """Against the recursion of blocking after service: a job leaves when the next is free."""
    stations = len(times)
    left = [[0] * (stations + 1) for _ in range(jobs + 1)]
    for job in range(1, jobs + 1):
        left[job][0] = left[job - 1][1]
        for at in range(1, stations + 1):
            served = left[job][at - 1] + times[at - 1]
            free = left[job - 1][at + 1] if at < stations else 0
            left[job][at] = max(served, free)
    assert left[jobs][stations] == takt.makespan_ms(times, jobs)
