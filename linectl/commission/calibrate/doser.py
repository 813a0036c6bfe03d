"""`calibrate SITE doser`: litres of loose substrate for each litre asked, weighed or by a jug.

A doser that is told a rate gets a factor. One that is told a frequency gets the line of its drive
(least squares over all runs) and the factor 1, so that nothing is divided out twice.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from linectl.commission.calibrate.amounts import density_g_ml, volume_ml
from linectl.commission.calibrate.dose_round import Dose, Figures, dose_round, prepared
from linectl.commission.calibrate.factors import DIGITS, beyond_bounds, middle_step
from linectl.commission.calibrate.plans import plan_of
from linectl.commission.calibrate.runs import Device, RunSet
from linectl.commission.calibrate.work import Outcome, Work
from linectl.commission.calibrate.written import Entry, Keys, undone
from linectl.crop import setpoints
from linectl.line.pulse_limits import pulse_most_ms
from linectl.site.calibration import is_hertz
from linectl.site.hardware import Point

WHAT = "doser"
CAUTIONS = (
    "The doser draws in hands, hair and sleeves: nobody reaches under it or into the hopper while"
    " the enabling device may be held. For work inside: isolate, lock, dissipate, try first.",
    "Whoever holds the enabling device sees the whole doser and everybody near it. Only that device"
    " lets it turn; this screen is neither lock-out nor stop.",
    "The vessel stands by itself; it is put and taken with the device let go. Against peat dust"
    " wear what its data sheet asks. Local codes and the machine's manual come first.",
)


def calibrate(work: Work) -> Outcome:
    """One round. Raises Ended, UsageError (no maintenance), NoController."""
    site = work.site
    name = site.station("fill")
    point = site.points[site.index(f"{name}.doser_rate")]
    usual = [setpoints.doser(site, crop) for crop in site.crops.crops]
    hertz = is_hertz(point.unit)
    most_ms = pulse_most_ms(site, f"{name}.doser")
    dose = Dose(
        what=WHAT,
        cautions=CAUTIONS,
        lot_of="substrate",
        factor=site.calibration.doser_factor,
        device=lambda: _device(work, name, point),
        plan=lambda: plan_of(work, usual, most_ms, rates=3 if hertz else 2),
        figures=lambda done, keys: (
            _drive(work, point, done, keys) if hertz else _factor(work, point, done, keys)
        ),
        straight=hertz,
    )
    return dose_round(work, dose, prepared(work, dose, site.file.stations[name].zone))


def undo(work: Work) -> Outcome:
    """Put back what the last round has changed."""
    return undone(work, WHAT)


def _device(work: Work, name: str, point: Point) -> Device:
    site = work.site
    density = density_g_ml(work, [one.density_g_l for one in site.crops.substrates.values()])
    return Device(
        part=name,
        tag=f"{name}.doser",
        rate_tag=point.tag,
        unit="ml",
        others={},
        asked=lambda held, ms: setpoints.from_point_unit(site, point, held) * ms / 1000,
        read=lambda text: volume_ml(text, density),
        hopper=f"{name}.hopper_level",
        takes=0.001,
        question="what came, as 12.4l or 870ml" + (", or 2.1kg, 4.5lb" if density else ""),
    )


def _factor(work: Work, point: Point, done: RunSet, keys: Mapping[str, Any]) -> Figures:
    mean = done.stated
    factor = round(mean.value, DIGITS)
    step = middle_step(point, done)
    new = {"factor": factor, **keys}
    values: dict[Keys, Any] = {(WHAT, key): value for key, value in new.items()}
    return Figures(
        entry=Entry("doser.factor", values, (WHAT,)),
        step=step,
        wanted=lambda ms: step.set_point * factor * ms / 1000,
        why_not=beyond_bounds(factor),
        lines=(f"new factor {factor:.4f} ±{mean.uncertainty:.4f} (95 %)",),
    )


def _drive(work: Work, point: Point, done: RunSet, keys: Mapping[str, Any]) -> Figures:
    """The drive's line: ml/s = per_hz · (Hz − offset_hz)."""
    line = done.line
    old = work.site.calibration.drives[point.tag]
    step = middle_step(point, done)
    per_hz, offset_hz = round(line.slope, DIGITS), round(line.zero_at, DIGITS)
    new = {
        "per_hz": per_hz, "offset_hz": offset_hz, "least_hz": old.least_hz, "most_hz": old.most_hz
    }  # fmt: skip
    values: dict[Keys, Any] = {
        ("drives", point.tag, key): value for key, value in {**new, **keys}.items()
    }
    values |= {("doser", key): value for key, value in {"factor": 1.0, **keys}.items()}
    shares = [
        line.uncertainty_at(hz) / line.at(hz) for hz in {run.step.set_point for run in done.runs}
    ]
    why_not = ""
    if not (line.slope > 0 and offset_hz < old.most_hz):
        why_not = f"{per_hz:g} ml/s for each hertz from {offset_hz:g} Hz on is no drive's line"
    return Figures(
        entry=Entry(f"drives.{point.tag}", values, (f"drives.{point.tag}", WHAT)),
        step=step,
        wanted=lambda ms: per_hz * (step.set_point - offset_hz) * ms / 1000,
        why_not=why_not or beyond_bounds(line.slope / old.per_hz),
        lines=(
            f"new line {per_hz:.4g} ±{line.slope_uncertainty:.2g} ml/s for each hertz from"
            f" {offset_hz:.3g} Hz on; what comes is known to ±{max(shares):.1%} (95 %) at the"
            " rates measured",
        ),
        told={
            "uncertainty": max(shares),
            "drive": {
                "tag": point.tag, "per_hz": per_hz, "offset_hz": offset_hz,
                "per_hz_uncertainty": line.slope_uncertainty,
                "residuals_per_s": [round(one, 4) for one in line.residuals],
            }
        },
        uncertainty=f"{line.slope_uncertainty:.4g} ml/s/Hz, {max(shares):.4f} of a dose",
    )  # fmt: skip
