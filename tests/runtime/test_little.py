"""Residence on the rehearsed line against Little's law."""

from __future__ import annotations

import os
import random

from linectl.site.scenario import Action

MINUTE = 60_000
FULL = os.environ.get("LINECTL_CAMPAIGN") == "full"
HOURS = 9 if FULL else 5


def _late_harvest(seed: int, minutes: int) -> tuple[Action, ...]:
    """Harvest stops at random times for random lengths, shorter than the auto-resume limit."""
    rng = random.Random(seed)
    actions: list[Action] = []
    at = 5.0
    while at < minutes:
        at += rng.expovariate(1 / 6)
        stop_ms = round(at * MINUTE)
        at += min(4.0, rng.expovariate(1 / 1.5))
        actions += [Action(stop_ms, "harvest stops"), Action(round(at * MINUTE), "harvest resumes")]
    return tuple(actions)


def test_gutters_stay_as_long_as_littles_law_says(shift):
    """L = λW (Little, Operations Research 9, 1961): mean number in the lanes is rate × mean stay.

    L is sampled from the bodies each ten seconds, λ and W from the gutters that were indexed
    and ejected; more than fifty residences, within 2 %.
    """
    minutes = HOURS * 60
    line = shift("small", seed=11, scenario=_late_harvest(11, minutes))
    warm_ms = 60 * MINUTE
    line.rehearsal.run(warm_ms)
    start = line.plant.report()
    standing: list[int] = []
    for at in range(warm_ms, minutes * MINUTE, 10_000):
        line.rehearsal.run(at + 10_000)
        gutters = line.plant.report()["gutters"]
        standing.append(gutters["in_lanes"])
    end = line.plant.report()
    stays = end["residences"][len(start["residences"]) :]
    hours = (minutes * MINUTE - warm_ms) / 3_600_000
    rate = (end["gutters"]["ejected"] - start["gutters"]["ejected"]) / hours
    mean_stay_h = sum(stays) / len(stays) / 3_600_000
    mean_standing = sum(standing) / len(standing)
    assert len(stays) >= 50
    assert end["violations"] == []
    assert abs(mean_standing - rate * mean_stay_h) / mean_standing < 0.02
