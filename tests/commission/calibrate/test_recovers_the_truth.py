"""Calibrations against what the plant hides: 200 machines, each measured once by noisy runs."""

from __future__ import annotations

import math
import os
import shutil
from statistics import fmean, stdev

import pytest
from scipy import stats

from linectl.commission.calibrate import doser, drum, water

FULL = os.environ.get("LINECTL_CAMPAIGN") == "full"
MACHINES = {"doser": 200, "water": 200, "drum": 200 if FULL else 80}
"""The drum's runs are long: all 200 in the long form of the campaigns."""
SPILT = 200 if FULL else 24
CONFIDENCE = 0.95
HARDLY_EVER = 1e-3
"""What is asserted would be missed so often by a right program, were its seeds not fixed."""
STATION = {"doser": "fill", "water": "water", "drum": "seed"}
GUIDE = {"doser": doser, "water": water, "drum": drum}


@pytest.fixture(scope="module")
def line(tmp_path_factory, benched, small_folder):
    folder = shutil.copytree(small_folder, tmp_path_factory.mktemp("truth") / "small")
    made = benched(folder)
    made.pause_ms = 20_000
    return made


@pytest.fixture(autouse=True)
def no_disk(monkeypatch) -> None:
    """Thousands of rows are kept here that nobody needs after a power cut."""
    monkeypatch.setattr(os, "fsync", lambda handle: None)


def calibrated(line, working, weighed, what: str, *answers):
    none_written = {"when": "write it", "say": "no"}
    as_it_is = {"when": "vacuums to try", "say": "none"}
    script = (*answers, weighed[STATION[what]], none_written, as_it_is)
    return GUIDE[what].calibrate(working(line, *script))


@pytest.mark.parametrize("what", ["doser", "water", "drum"])
def test_the_stated_uncertainty_holds_the_hidden_factor_in_95_of_100(
    line, working, weighed, what
) -> None:
    held = pulses_held = 0
    errors = []
    machines = MACHINES[what]
    for machine in range(machines):
        line.do("hidden factors", seed=machine)
        truth = line.plant.hidden()
        told = calibrated(line, working, weighed, what).told
        ratios = [run["got"] / run["asked"] for run in told["runs"]]
        # independent of ours: scipy's interval of Student's t round the mean
        low, high = stats.t.interval(
            CONFIDENCE, len(ratios) - 1, loc=fmean(ratios), scale=stats.sem(ratios)
        )
        assert told["uncertainty"] == pytest.approx((high - low) / 2, rel=1e-3)
        held += low <= truth[what] <= high
        errors.append(fmean(ratios) / truth[what] - 1)
        if what == "water":
            meter = told["pulses_per_l"]
            pulses_held += abs(meter["value"] - truth["pulses_per_l"]) <= meter["uncertainty"]
    least, most = stats.binom.interval(1 - HARDLY_EVER, machines, CONFIDENCE)
    print(f"{what}: {held} of {machines} held, mean error {fmean(errors):+.4%}")
    assert least <= held <= most
    assert abs(fmean(errors)) < 3.3 * stdev(errors) / math.sqrt(machines)
    assert stdev(errors) < 0.01
    if what == "water":
        assert least <= pulses_held <= most
    assert line.plant.report()["violations"] == []


def test_a_set_with_a_spilt_run_is_refused_until_that_run_is_repeated(
    line, working, weighed
) -> None:
    """The spilt run is each of the six in turn; the vessel before them all is the prime's."""
    held = 0
    for machine in range(SPILT):
        line.do("hidden factors", seed=machine)
        run = machine % 6
        line.spill_next(2 + run)
        refused = calibrated(
            line, working, weighed, "doser", {"when": "it must be repeated", "say": "q"}
        )
        assert refused.result == "refused"
        assert f"run {run + 1} " in refused.why
        line.spill_next(2 + run)
        outcome = calibrated(line, working, weighed, "doser")
        assert outcome.result in ("left", "refused")
        (left_out,) = [
            one for one in outcome.told["left_out"] if one["got"] / one["asked"] < 0.8 * 1.15
        ][:1] or [None]
        truth = line.plant.hidden()["doser"]
        assert left_out is not None
        assert left_out["got"] / left_out["asked"] == pytest.approx(0.75 * truth, rel=0.05)
        mean = fmean(one["got"] / one["asked"] for one in outcome.told["runs"])
        held += abs(mean - truth) <= outcome.told["uncertainty"]
    assert held >= stats.binom.ppf(HARDLY_EVER, SPILT, CONFIDENCE)
