"""Residence in lanes by Little's law: how long gutters stand, and how many a day that takes.

L = λ·W for any system that neither makes nor loses what passes through it: what stands equals
arrivals a day times days of residence. Source: J. D. C. Little, "A Proof for the Queuing
Formula: L = λW", Operations Research 9 (1961), 383–387.
"""

from __future__ import annotations


def residence_days(standing: float, gutters_per_day: float) -> float:
    """Mean days that a gutter stands when `standing` are in and `gutters_per_day` pass.

    Raises ValueError if standing is negative or nothing passes.
    """
    if standing < 0 or gutters_per_day <= 0:
        raise ValueError(f"{standing} standing and {gutters_per_day} a day give no residence")
    return standing / gutters_per_day


def gutters_per_day(standing: float, days: float) -> float:
    """Gutters that must go in, and out, each day so that `standing` stay `days`.

    Raises ValueError if standing is negative or days not above zero.
    """
    if standing < 0 or days <= 0:
        raise ValueError(f"{standing} standing for {days} days give no rate")
    return standing / days


def standing(gutters_a_day: float, days: float) -> float:
    """Gutters that stand when `gutters_a_day` go in and each stays `days`."""
    if gutters_a_day < 0 or days < 0:
        raise ValueError(f"{gutters_a_day} a day for {days} days is not a stand")
    return gutters_a_day * days


def gutters_in_shift(shift_ms: float, takt_ms: float) -> float:
    """Gutters of one shift at one every `takt_ms`; not rounded. ValueError unless takt > 0."""
    if takt_ms <= 0:
        raise ValueError(f"a takt of {takt_ms} ms is none")
    return shift_ms / takt_ms
