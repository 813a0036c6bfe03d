"""Which runs a calibration makes: rates that the crops ask for, how long, how many."""

from __future__ import annotations

from collections.abc import Sequence

from linectl.commission.calibrate.runs import Step
from linectl.commission.calibrate.work import Work
from linectl.crop.calibrating import RUNS_LEAST
from linectl.crop.setpoints import SetPoint, from_point_unit, in_point_unit
from linectl.site.durations import format_duration, parse_duration
from linectl.site.register_range import as_held

RUN_MS = 20_000
"""Of one run, where nobody says otherwise (common practice, no source)."""
LEAST_MS = 5_000
"""Shortest run: starting and stopping take a part of it (common practice, no source)."""
RUNS_MOST = 20
"""At one rate: beyond it a person is worn out, and so are the figures."""
RATES_MOST = 3
APART, LINE_APART = 1.4, 2.0
"""So many times the least rate is the greatest at least, of two rates and of a line through more:
rates too close tell nothing (common practice, no source)."""


def plan_of(
    work: Work, usual: Sequence[SetPoint], most_ms: int, rates: int, least: float = 0.0
) -> list[Step]:
    """The runs, rates taken in turn so that a drift in time does not pass for one in rate.

    usual: the set-points of the crops; rates: how many are proposed; least: where what comes is
    counted, so many at least; runs at higher rates are shorter then, and give as many. Raises
    Ended.
    """
    values = _rates(work, usual, rates)
    point = work.site.points[work.site.index(usual[0].tag)]
    each = [from_point_unit(work.site, point, value) for value in values]
    enough_ms = int(-(-least // each[0]) * 1000)
    for_ms = _length(work, min(max(RUN_MS, enough_ms), most_ms), most_ms)
    times = _times(work)
    lengths = [for_ms] * len(values)
    if least:
        lengths = [max(-(-int(for_ms * each[0] / one) // 1000) * 1000, LEAST_MS) for one in each]
    return [Step(*step) for _ in range(times) for step in zip(values, lengths, strict=True)]


def proposed(usual: Sequence[SetPoint], rates: int) -> list[float]:
    """Rates over what the crops ask for, within what the device can do; in the unit of `value`."""
    low, high = min(one.value for one in usual), max(one.value for one in usual)
    least = max((one.least for one in usual if one.least is not None), default=0.0)
    most = min((one.most for one in usual if one.most is not None), default=float("inf"))
    apart = APART if rates < RATES_MOST else LINE_APART
    if high < apart * low:
        middle = (low + high) / 2
        spread = (apart - 1) / (apart + 1)
        low, high = middle * (1 - spread), middle * (1 + spread)
    low, high = max(low, least), min(high, most)
    step = (high - low) / (rates - 1)
    return [low + step * place for place in range(rates)]


def _rates(work: Work, usual: Sequence[SetPoint], count: int) -> list[float]:
    """The set-points as their register holds them, in the unit of the point."""
    first = usual[0]
    point = work.site.points[work.site.index(first.tag)]
    shown = " ".join(f"{one:.4g}" for one in proposed(usual, count))
    while True:
        text = work.ask(f"rates in {first.unit}, two or three (Enter: {shown}): ") or shown
        try:
            rates = sorted({float(word) for word in text.replace(",", " ").split()})
        except ValueError:
            work.say(f"  write numbers with spaces between: {shown}")
            continue
        held = [as_held(point, in_point_unit(work.site, point, rate)) for rate in rates]
        if not 2 <= len(rates) <= RATES_MOST or min(rates) <= 0:
            work.say(f"  two or three different rates above zero, such as {shown}")
        elif any(one is None for one in held):
            work.say(f"  the register of {first.tag} cannot hold one of them")
        elif wrong := _beyond(first, [from_point_unit(work.site, point, one or 0) for one in held]):
            work.say(f"  {wrong}")
        else:
            return [one for one in held if one is not None]


def _beyond(first: SetPoint, rates: Sequence[float]) -> str:
    if first.least is not None and min(rates) < first.least * 0.999:
        return f"the device does {first.least:g} {first.unit} at least"
    if first.most is not None and max(rates) > first.most * 1.001:
        return f"the device does {first.most:g} {first.unit} at most"
    return ""


def _length(work: Work, usual_ms: int, most_ms: int) -> int:
    usual = format_duration(usual_ms)
    while True:
        text = work.ask(f"length of a run (Enter: {usual}): ") or usual
        try:
            length_ms = parse_duration(text)
        except ValueError as error:
            work.say(f"  {error}")
            continue
        if 0 < length_ms <= most_ms:
            return length_ms
        work.say(f"  {format_duration(most_ms)} at most, by the role of the output")


def _times(work: Work) -> int:
    while True:
        text = work.ask(f"runs at each rate, {RUNS_LEAST} at least (Enter: {RUNS_LEAST}): ")
        if not text or (text.isdecimal() and RUNS_LEAST <= int(text) <= RUNS_MOST):
            return int(text or RUNS_LEAST)
        work.say(f"  a whole number from {RUNS_LEAST} to {RUNS_MOST}")
