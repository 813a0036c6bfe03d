"""`calibrate SITE drum`: the best vacuum by quality of feed, then seeds for each one asked."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from linectl.commission.calibrate.amounts import seeds_of
from linectl.commission.calibrate.dose_round import Dose, Figures, dose_round, prepared
from linectl.commission.calibrate.factors import DIGITS, beyond_bounds, middle_step
from linectl.commission.calibrate.plans import RUN_MS, plan_of
from linectl.commission.calibrate.runs import Device, RunSet, Step
from linectl.commission.calibrate.vacuums import as_told, chosen, curve, set_to, vacuums_asked
from linectl.commission.calibrate.work import Outcome, Work
from linectl.commission.calibrate.written import Entry, undone
from linectl.crop import seeds, setpoints
from linectl.crop.seeding import AtVacuum
from linectl.errors import UsageError
from linectl.line.pulse_limits import pulse_most_ms
from linectl.site.complaints import nearest
from linectl.site.hardware import Point
from linectl.site.model import Site
from linectl.site.register_range import as_held

WHAT = "drum"
SEEDS_LEAST = 250
"""Of a run: fewer scatter by more than they tell (binomial: with one cell in fifteen empty or
double, 250 seeds by 1.6 %)."""
SPREAD_MOST = 0.05
"""Counts of some hundred seeds scatter more than weights (common practice, no source)."""
CAUTIONS = (
    "The drum draws in and its vacuum holds: fingers, sleeves and hair stay outside the guards"
    " while the enabling device may be held, and while it runs down.",
    "Tape, tray and relief valve are reached only with the device let go and the drum at rest; for"
    " anything inside the guards: isolate, lock, dump the vacuum, try first.",
    "No gutter stands in the seeder: its belt runs with the drum. Treated seed: read its label and"
    " wear what it asks. Local codes and the machine's manual come first.",
)


def calibrate(work: Work) -> Outcome:
    """One round. Raises Ended, UsageError (no maintenance, an unknown crop), NoController."""
    site, crop = work.site, work.terms.crop
    if crop and crop not in site.crops.crops:
        raise UsageError(f"there is no crop {crop!r}; {nearest(crop, site.crops.crops) or ''}")
    name = site.station("seed")
    facts = setpoints.tools(site).seed
    point = site.points[site.index(f"{name}.drum_rate")]
    usual = [setpoints.drum(site, one) for one in ([crop] if crop else site.crops.crops)]
    device = _device(work, name, point)
    most_ms = pulse_most_ms(site, f"{name}.drum")
    curve_of: list[AtVacuum] = []
    dose = Dose(
        what=WHAT,
        cautions=CAUTIONS,
        lot_of="seed",
        factor=site.calibration.drum_factor(crop),
        device=lambda: device,
        plan=lambda: plan_of(work, usual, most_ms, 2, SEEDS_LEAST),
        figures=lambda done, keys: _figures(work, point, done, keys, curve_of, taken),
    )
    said = prepared(work, dose, facts.zone)
    _no_gutter(work, name)
    taken = None
    if values := vacuums_asked(work, facts.vacuum_min_kpa):
        step = _tape_step(site, point, max(one.value for one in usual), most_ms)
        curve_of += curve(work, device, step, values, _cell_mm(site, crop))
        taken = chosen(work, curve_of)
        set_to(work, name, taken.vacuum_kpa)
    return dose_round(work, dose, said)


def undo(work: Work) -> Outcome:
    """Put back what the last round has changed."""
    return undone(work, WHAT)


def _device(work: Work, name: str, point: Point) -> Device:
    site = work.site
    facts = setpoints.tools(site).seed
    speed = site.points[site.index(f"{name}.speed")]
    named = site.crops.crops.get(work.terms.crop)
    thousand_g = named.thousand_seed_g if named is not None else None
    crops = [named] if named is not None else list(site.crops.crops.values())
    mm_s = setpoints.in_point_unit(site, speed, facts.speed_mm_s)
    return Device(
        part=name,
        tag=f"{name}.drum",
        rate_tag=point.tag,
        unit="seeds",
        others={f"{name}.pump": True, f"{name}.run": True, speed.tag: as_held(speed, mm_s) or mm_s},
        asked=lambda held, ms: setpoints.from_point_unit(site, point, held) * ms / 1000,
        read=lambda text: seeds_of(text, thousand_g),
        question="seeds counted, as 812" + (", or weighed, as 9.6g" if thousand_g else ""),
        lead_ms=facts.vacuum_timeout_ms,
        hopper=f"{name}.seed_level",
        takes=1 / min(one.seeds_per_gutter for one in crops),
        spread_most=SPREAD_MOST,
    )


def _tape_step(site: Site, point: Point, seeds_s: float, most_ms: int) -> Step:
    """A run that lays cells enough to tell vacuums apart."""
    held = as_held(point, setpoints.in_point_unit(site, point, seeds_s)) or seeds_s
    enough_ms = round(SEEDS_LEAST / setpoints.from_point_unit(site, point, held)) * 1000
    return Step(held, min(max(RUN_MS, enough_ms), most_ms))


def _no_gutter(work: Work, name: str) -> None:
    """Raises UsageError while an eye of the station sees one: the belt would move it."""
    points = work.controller.look(-1).points
    seen = [tag for tag in (f"{name}.entry_eye", f"{name}.exit_eye") if points.get(tag)]
    if seen:
        raise UsageError(f"{' and '.join(seen)} sees a gutter: take it out first, two people")


def _cell_mm(site: Site, crop: str) -> float:
    """The distance of cells that is wanted; of the first crop if none is named."""
    facts = site.crops.crops[crop or next(iter(site.crops.crops))]
    usual = seeds.spacing_mm(
        site.file.gutter.length_mm, facts.seeds_per_gutter, facts.seeds_per_cell, facts.rows
    )
    return facts.spacing_mm or usual


def _figures(
    work: Work,
    point: Point,
    done: RunSet,
    keys: Mapping[str, Any],
    rows: Sequence[AtVacuum],
    taken: AtVacuum | None,
) -> Figures:
    crop = work.terms.crop
    mean = done.stated
    factor = round(mean.value, DIGITS)
    step = middle_step(point, done)
    per_s = setpoints.from_point_unit(work.site, point, step.set_point)
    path = ("drum", "crops", crop) if crop else ("drum", "factor")
    values: dict[tuple[str, ...], Any] = {path: factor}
    if taken is not None and taken.indices is not None:
        values[("drum", "vacuum_kpa")] = taken.vacuum_kpa
        values[("drum", "quality")] = round(max(0.0, taken.indices.quality_of_feed), DIGITS)
    values |= {("drum", key): value for key, value in keys.items()}
    return Figures(
        entry=Entry(".".join(path), values, (WHAT,)),
        step=step,
        wanted=lambda ms: per_s * factor * ms / 1000,
        why_not=beyond_bounds(factor),
        lines=(f"new factor {factor:.4f} ±{mean.uncertainty:.4f} (95 %)",),
        told={"vacuums": as_told(rows), "vacuum_kpa": taken and taken.vacuum_kpa},
    )
