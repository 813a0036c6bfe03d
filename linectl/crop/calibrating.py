"""What calibration runs say: a factor with its uncertainty, runs that are odd, a drive's line.

A run asks a device for an amount and measures what came. Its ratio is what came for each one
asked; the factor is the mean of the ratios, each run alike, because a doser, a valve and a drum
err by a share of what they give. Uncertainties are half-widths that hold the true value in 95 of
100 such sets (Student's t; JCGM 100:2008, GUM, 4.2.3 and G.3). They know what differs from run to
run; an error that all runs share (the scale's own, a wrong density) is not in them.

Odd runs by Grubbs' two-sided test for one outlier (NIST/SEMATECH e-Handbook of Statistical Methods,
1.3.5.17.1). As ISO 5725-2:1994, 7.3.2 (from memory): odd at 5 % is a straggler and told; odd at
1 % is an outlier, and the set stands only when it has been repeated.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal, NamedTuple

from linectl.crop import student_t

CONFIDENCE = 0.95
RUNS_LEAST = 3
"""Runs of a set: two have a spread, and nothing to hold it against."""
SPREAD_MOST = 0.03
"""Standard deviation of the ratios by their mean above which a device is mended before it is
calibrated (common practice, no source)."""
STRAGGLER, OUTLIER = 0.05, 0.01
"""Significance from which a run is told as odd, and from which it is to be repeated."""

Oddness = Literal["straggler", "outlier"]


class Stated(NamedTuple):
    """A mean of some runs."""

    value: float
    uncertainty: float
    """Half-width that holds the true value in 95 of 100 sets, in the value's own unit."""
    spread: float
    """Sample standard deviation of one run, by the mean."""
    runs: int

    def within_next(self, confidence: float = CONFIDENCE) -> float:
        """Half-width round `value` in which one more run lies with that probability."""
        scatter = self.spread * abs(self.value) * math.sqrt(1 + 1 / self.runs)
        return student_t.quantile(confidence, self.runs - 1) * scatter


def stated(values: Sequence[float]) -> Stated:
    """Mean, uncertainty and spread of the ratios of a set.

    x̄ ± t(95 %, n − 1) · s / √n. Raises ValueError for fewer than two, or a mean that is not above
    zero.
    """
    count = len(values)
    if count < 2:
        raise ValueError(f"{count} runs have no spread: two at least, better six")
    mean = math.fsum(values) / count
    if not mean > 0:
        raise ValueError(f"a mean of {mean:g} is not above zero: nothing came")
    deviation = _deviation(values, mean)
    uncertainty = student_t.quantile(CONFIDENCE, count - 1) * deviation / math.sqrt(count)
    return Stated(mean, uncertainty, deviation / mean, count)


def residuals(values: Sequence[float]) -> tuple[float, ...]:
    """Of each run, by how much its ratio differs from the mean, as a share of it."""
    mean = math.fsum(values) / len(values)
    return tuple(value / mean - 1 for value in values)


class Odd(NamedTuple):
    """The run that differs most from the mean of its set, if it differs too much."""

    place: int
    """From 0, in the order of the set."""
    g: float
    """By how many standard deviations it differs."""
    critical: float
    """What it may differ at that significance."""
    how: Oddness


def grubbs_critical(runs: int, significance: float) -> float:
    """The greatest distance from the mean, in standard deviations, that chance leaves to the run
    which lies furthest out: (n − 1)/√n · √(t²/(n − 2 + t²)), t two-sided at significance/n with
    n − 2 degrees of freedom. ValueError for fewer than three runs.
    """
    if runs < RUNS_LEAST:
        raise ValueError(f"with {runs} runs none can be called odd: three at least")
    t = student_t.quantile(1 - significance / runs, runs - 2)
    return (runs - 1) / math.sqrt(runs) * math.sqrt(t * t / (runs - 2 + t * t))


def odd_one(values: Sequence[float]) -> Odd | None:
    """The straggler or outlier of a set; None if there is none, or there are too few to tell."""
    if len(values) < RUNS_LEAST:
        return None
    mean = math.fsum(values) / len(values)
    deviation = _deviation(values, mean)
    if not deviation > 0:
        return None
    place = max(range(len(values)), key=lambda one: abs(values[one] - mean))
    g = abs(values[place] - mean) / deviation
    for significance, how in ((OUTLIER, "outlier"), (STRAGGLER, "straggler")):
        critical = grubbs_critical(len(values), significance)
        if g > critical:
            return Odd(place, g, critical, "outlier" if how == "outlier" else "straggler")
    return None


def hidden_outlier(runs: int) -> float:
    """How far off, in standard deviations of the other runs, one run may lie in the mean and still
    not be called an outlier: the fewer the runs, the farther.

    Of n runs whose others scatter with s about their own mean, the one at distance d from it has
    g = d(n − 1)/n / √(((n − 2)s² + d²(n − 1)/n)/(n − 1)); this is d/s at the critical g.
    """
    g = grubbs_critical(runs, OUTLIER)
    share = (runs - 1) / runs
    room = share * share * (runs - 1) / (g * g) - share
    return math.sqrt((runs - 2) / room)


def _deviation(values: Sequence[float], mean: float) -> float:
    return math.sqrt(math.fsum((value - mean) ** 2 for value in values) / (len(values) - 1))


# the line of a drive ------------------------------------------------------------------------------


@dataclass(frozen=True)
class Line:
    """y = intercept + slope · x by least squares, and how well the points lie on it."""

    slope: float
    intercept: float
    slope_uncertainty: float
    """Half-width of 95 %."""
    residuals: tuple[float, ...]
    """y − the line, of each point."""
    scatter: float
    """Standard deviation of one point about the line (n − 2 degrees of freedom)."""
    points: int
    mean_x: float
    sxx: float

    def at(self, x: float) -> float:
        """The line at x."""
        return self.intercept + self.slope * x

    def uncertainty_at(self, x: float) -> float:
        """Half-width of 95 % of the line itself at x: t · s · √(1/n + (x − x̄)²/Sxx)."""
        lever = 1 / self.points + (x - self.mean_x) ** 2 / self.sxx
        return student_t.quantile(CONFIDENCE, self.points - 2) * self.scatter * math.sqrt(lever)

    @property
    def zero_at(self) -> float:
        """The x at which it crosses zero."""
        return -self.intercept / self.slope


def line_through(points: Sequence[tuple[float, float]]) -> Line:
    """The least-squares line of (x, y): slope = Sxy/Sxx (NIST/SEMATECH e-Handbook, 4.1.4.1).

    Raises ValueError for fewer than three points or all at one x.
    """
    count = len(points)
    if count < RUNS_LEAST:
        raise ValueError(f"{count} points make no line with a scatter: three at least")
    mean_x = math.fsum(x for x, _ in points) / count
    mean_y = math.fsum(y for _, y in points) / count
    sxx = math.fsum((x - mean_x) ** 2 for x, _ in points)
    if not sxx > 0:
        raise ValueError("all points are at one rate: a line needs two rates at least")
    slope = math.fsum((x - mean_x) * (y - mean_y) for x, y in points) / sxx
    intercept = mean_y - slope * mean_x
    left = tuple(y - intercept - slope * x for x, y in points)
    scatter = math.sqrt(math.fsum(one * one for one in left) / (count - 2))
    t = student_t.quantile(CONFIDENCE, count - 2)
    half_width = t * scatter / math.sqrt(sxx)
    return Line(slope, intercept, half_width, left, scatter, count, mean_x, sxx)


def drifts_with(points: Sequence[tuple[float, float]]) -> bool:
    """True if y changes with x by more than chance would have it once in a hundred sets.

    False with fewer than three points or one x alone, where nothing can be told.
    """
    if len(points) < RUNS_LEAST or len({x for x, _ in points}) < 2:
        return False
    line = line_through(points)
    if not line.scatter > 0:
        return bool(line.slope)
    t = abs(line.slope) * math.sqrt(line.sxx) / line.scatter
    return t > student_t.quantile(1 - OUTLIER, line.points - 2)
