"""From a set of runs to a factor that may be written: as found, new, verified, as left."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import replace
from typing import Any

from linectl.commission.calibrate.record import Calibrated, as_cell
from linectl.commission.calibrate.runs import Device, Run, RunSet, Step, measure
from linectl.commission.calibrate.work import Work
from linectl.crop.calibrating import OUTLIER, residuals
from linectl.site.calibration import FACTOR_LEAST, FACTOR_MOST
from linectl.site.hardware import Point
from linectl.site.register_range import as_held

AS_LEFT_MOST = 0.05
"""Error of the verification run, as a share of what was wanted, above which nothing is written
(common practice, no source)."""
AS_LEFT_LEAST = 0.01
"""And below which none is looked into, however little the runs scattered (the same)."""
DIGITS = 4
"""Decimals of a factor in the file: a tenth of what the best scales tell."""


def middle_step(point: Point, done: RunSet) -> Step:
    """A run half-way between the rates of a set, for the verification."""
    slow, fast = (pick(run.step for run in done.runs) for pick in (min, max))
    held = as_held(point, (slow.set_point + fast.set_point) / 2)
    return slow if held is None else Step(held, (slow.for_ms + fast.for_ms) // 2)


def beyond_bounds(factor: float) -> str:
    """Why a factor is refused; empty if it is within the declared bounds."""
    if FACTOR_LEAST <= factor <= FACTOR_MOST:
        return ""
    return (
        f"a factor of {factor:.3g} is outside {FACTOR_LEAST:g} to {FACTOR_MOST:g}: not the device"
        " is off, its nominal figure in the site's files is wrong, or another unit was typed"
    )


def found_error(done: RunSet, factor: float) -> float:
    """As found: by how much a dose was off with the factor so far, as a share of the dose."""
    return math.fsum(done.ratios) / len(done.runs) / factor - 1


def verified(
    work: Work, device: Device, step: Step, wanted: Callable[[int], float], done: RunSet
) -> tuple[Run, float, str]:
    """A run with the new figures: the run, its error against what was wanted, why it fails.

    wanted: the amount by ms that the new figures promise at that step.
    """
    work.say("\nVerification: one run with the new figures.")
    run = measure(work, device, step, "verification run")
    error = run.got / wanted(run.ran_ms) - 1
    room = done.stated.within_next(1 - OUTLIER) / done.stated.value
    allowed = min(max(room, AS_LEFT_LEAST), AS_LEFT_MOST)
    work.say(
        f"as left: a dose is off by {error:+.1%}; unless something has changed it lies within"
        f" ±{allowed:.1%}"
    )
    if abs(error) <= allowed:
        return run, error, ""
    return run, error, f"the verification run is off by {error:+.1%}, more than ±{allowed:.1%}"


def figures_of(done: RunSet) -> dict[str, str]:
    """The cells of calibrations.csv that a set of runs fills."""
    stated = done.stated
    return {
        "uncertainty": f"{stated.uncertainty:.4f}",
        "spread": f"{stated.spread:.4f}",
        "runs": as_cell([run.as_told() for run in done.runs]),
        "left_out": as_cell(done.left_out),
        "residuals": as_cell([round(one, 5) for one in residuals(done.judged)]),
    }


def with_figures(row: Calibrated, done: RunSet, **more: str) -> Calibrated:
    """The row with what the set says, and more."""
    return replace(row, **figures_of(done) | more)


def as_told(found: float, left: float | None, done: RunSet, **more: Any) -> Mapping[str, Any]:
    """The part of the outcome's object that every dose has."""
    return {"as_found": found, "as_left": left, **done.as_told(), **more}


def in_words(error: float) -> str:
    """`off by +3.1 %`."""
    return f"off by {error * 100:+.1f} %"
