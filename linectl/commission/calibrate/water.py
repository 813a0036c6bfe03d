"""`calibrate SITE water`: millilitres that flow for each one asked, and the meter's pulses."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from linectl.commission.calibrate.amounts import WATER_ML_PER_G, volume_ml
from linectl.commission.calibrate.dose_round import Dose, Figures, dose_round, prepared
from linectl.commission.calibrate.factors import DIGITS, beyond_bounds, middle_step
from linectl.commission.calibrate.plans import plan_of
from linectl.commission.calibrate.runs import Device, RunSet
from linectl.commission.calibrate.work import Outcome, Work
from linectl.commission.calibrate.written import Entry, undone
from linectl.crop import setpoints
from linectl.crop.calibrating import SPREAD_MOST, stated
from linectl.line.pulse_limits import pulse_most_ms
from linectl.site.hardware import Point

WHAT = "water"
CAUTIONS = (
    "Water and electricity: vessel, hose and scale stand dry and away from cabinets, sockets and"
    " drives; a mains-powered scale hangs behind a residual-current device. Wet floor: no hurry.",
    "Whoever holds the enabling device sees the nozzle bar and everybody near it. Only that device"
    " opens the valve; this screen is neither lock-out nor stop.",
    "For work at nozzles or valve: shut off and lock the water, relieve the pressure, try first."
    " Local codes and the machine's manual come first.",
)


def calibrate(work: Work) -> Outcome:
    """One round. Raises Ended, UsageError (no maintenance), NoController."""
    site = work.site
    name = site.station("water")
    point = site.points[site.index(f"{name}.flow_rate")]
    usual = [setpoints.flow(site, crop) for crop in site.crops.crops]
    most_ms = pulse_most_ms(site, f"{name}.valve")
    dose = Dose(
        what=WHAT,
        cautions=CAUTIONS,
        lot_of="",
        factor=site.calibration.water_factor,
        device=lambda: _device(work, name, point),
        plan=lambda: plan_of(work, usual, most_ms, rates=2),
        figures=lambda done, keys: _figures(work, point, done, keys),
    )
    return dose_round(work, dose, prepared(work, dose, site.file.stations[name].zone))


def undo(work: Work) -> Outcome:
    """Put back what the last round has changed."""
    return undone(work, WHAT)


def _device(work: Work, name: str, point: Point) -> Device:
    site = work.site
    return Device(
        part=name,
        tag=f"{name}.valve",
        rate_tag=point.tag,
        unit="ml",
        others={},
        asked=lambda held, ms: setpoints.from_point_unit(site, point, held) * ms / 1000,
        read=lambda text: volume_ml(text, 1 / WATER_ML_PER_G),
        question="what came, as 870ml, 1.2l, 1.2kg or 2lb",
        counter=f"{name}.flow_pulses",
    )


def _figures(work: Work, point: Point, done: RunSet, keys: Mapping[str, Any]) -> Figures:
    site = work.site
    mean = done.stated
    factor = round(mean.value, DIGITS)
    step = middle_step(point, done)
    per_s = setpoints.from_point_unit(site, point, step.set_point)
    new: dict[str, Any] = {"factor": factor}
    lines = [f"new factor {factor:.4f} ±{mean.uncertainty:.4f} (95 %)"]
    told: dict[str, Any] = {"pulses_per_l": None}
    why_not = beyond_bounds(factor)
    per_l = [run.pulses * 1000 / run.got for run in done.runs if run.pulses]
    if len(per_l) == len(done.runs):
        pulses = stated(per_l)
        new["pulses_per_l"] = round(pulses.value, 2)
        before = setpoints.pulses_per_l(site, setpoints.tools(site).water)
        lines.append(
            f"meter {pulses.value:.2f} ±{pulses.uncertainty:.2f} pulses for a litre (95 %);"
            f" so far {before:g}, {before / pulses.value - 1:+.1%} of what flowed"
        )
        told["pulses_per_l"] = {
            "value": pulses.value, "uncertainty": pulses.uncertainty, "spread": pulses.spread,
            "before": before,
        }  # fmt: skip
        if pulses.spread > SPREAD_MOST:
            why_not = why_not or (
                f"the meter's pulses for a litre spread by {pulses.spread:.1%}, more than"
                f" {SPREAD_MOST:.0%}: air in the pipe, or pulses that are lost"
            )
    else:
        lines.append("the meter gave no pulses in some run: its figure stays as it is; look at it")
    return Figures(
        entry=Entry(WHAT, {(WHAT, key): one for key, one in {**new, **keys}.items()}, (WHAT,)),
        step=step,
        wanted=lambda ms: per_s * factor * ms / 1000,
        why_not=why_not,
        lines=lines,
        told=told,
    )
