"""What one crop asks of a site: its bed, its water and seed, its set-points, what a shift uses.

Everything follows from crops.yaml, the gutter, the stations and calibration.yaml; what a file does
not say is None here, never guessed.
"""

from __future__ import annotations

from dataclasses import dataclass

from linectl.crop import dosing, lanes, seeds, setpoints, substrate
from linectl.crop.setpoints import SetPoint
from linectl.crop.substrate import Bed
from linectl.site.crops import Crop, Substrate
from linectl.site.machine import Fill, Seed
from linectl.site.model import Site

SPACING_CELLS = 1.0
"""Wanted spacing and seeds a gutter may differ by so many cells of a row: the ends of a row."""


@dataclass(frozen=True)
class SubstrateNeeds:
    """Substrate of one gutter: litres loose, kg, and the bed that it makes.

    None is what follows from the substrate's density and tamp ratio where crops.yaml names none;
    `bed` needs the gutter's width and depth too.
    """

    loose_l: float
    filled_mm: float
    """The stretch of the gutter on which it lies: the doser starts behind its head and stops before
    its tail."""
    per_mm_ml: float
    """What the doser lays on each mm of belt: its rate against the feed speed."""
    tamped_l: float | None = None
    mass_kg: float | None = None
    loose_g_l: float | None = None
    tamped_g_l: float | None = None
    bed: Bed | None = None


@dataclass(frozen=True)
class HopperNeeds:
    """How far a full hopper goes, in whole gutters and in ms at takt."""

    hopper_l: float
    low_l: float | None
    """Below it interlocks.yaml warns; None: nothing does."""
    empty_l: float | None
    """Below it no gutter is begun; None: nothing says so, and 0 is reckoned with."""
    until_low: int | None
    until_empty: int
    takt_ms: float

    def ms(self, gutters: int) -> float:
        """So many gutters at takt."""
        return gutters * self.takt_ms


@dataclass(frozen=True)
class WaterNeeds:
    """Water of one gutter: ml, how long the valve is open at the flow, what the meter counts."""

    dose_ml: float
    valve_ms: float
    pulses: float


@dataclass(frozen=True)
class SeedNeeds:
    """Seeds of one gutter, as they should lie and as the drum lays them."""

    per_gutter: int
    rows: int
    per_cell: int
    cells_in_row: float
    wanted_mm: float | None
    """Spacing in the row as crops.yaml wants it."""
    wanted_seeds: int | None
    """Seeds a gutter that this spacing would give."""
    seeded_mm: float
    """The stretch of the gutter that the drum works on."""
    laid_mm: float
    """Spacing in the row as the drum lays them, over that stretch."""
    mass_g: float | None
    factor: float
    """Seeds let down for each one asked (calibration.yaml)."""
    rev_min: float | None
    """The drum's speed; None unless calibration.yaml says how many holes it has."""

    @property
    def agrees(self) -> bool:
        """Wanted spacing and seeds a gutter are within a cell a row of each other."""
        if self.wanted_seeds is None:
            return True
        wanted = seeds.cells_of(self.wanted_seeds, self.rows, self.per_cell)
        return abs(wanted - self.cells_in_row) <= SPACING_CELLS


@dataclass(frozen=True)
class ShiftNeeds:
    """What a usual shift takes if all of it is this crop."""

    gutters: int
    substrate_l: float
    substrate_kg: float | None
    water_l: float
    seeds: int
    seed_g: float | None


@dataclass(frozen=True)
class CropNeeds:
    """All of a crop."""

    crop: str
    substrate: SubstrateNeeds
    hopper: HopperNeeds
    water: WaterNeeds
    seed: SeedNeeds
    shift: ShiftNeeds
    set_points: tuple[SetPoint, ...]
    """Doser, valve, drum."""


def crop_needs(site: Site, name: str) -> CropNeeds:
    """What a crop of crops.yaml asks of the site. KeyError for a crop that there is not."""
    crop = site.crops.crops[name]
    tools = setpoints.tools(site)
    doser, flow, drum = (
        setpoints.doser(site, name), setpoints.flow(site, name), setpoints.drum(site, name)
    )  # fmt: skip
    return CropNeeds(
        crop=name,
        substrate=_substrate(site, crop, tools.fill),
        hopper=_hopper(site, crop, tools.fill),
        water=WaterNeeds(
            dose_ml=crop.water_ml,
            valve_ms=dosing.valve_ms(crop.water_ml, flow.value * site.calibration.water_factor),
            pulses=setpoints.meter_pulses(site, tools.water, crop.water_ml),
        ),
        seed=_seed(site, name, crop, tools.seed),
        shift=_shift(site, crop),
        set_points=(doser, flow, drum),
    )


def _substrate(site: Site, crop: Crop, fill: Fill) -> SubstrateNeeds:
    gutter, litres = site.file.gutter, crop.substrate_l
    filled_mm = setpoints.worked_mm(site, fill)
    rate_ml_s = dosing.doser_ml_s(litres, setpoints.worked_ms(site, fill))
    per_mm_ml = dosing.ml_per_mm(rate_ml_s, fill.speed_mm_s)
    made = _made_of(site, crop)
    if made is None:
        return SubstrateNeeds(litres, filled_mm, per_mm_ml)
    ratio = made.tamp_ratio
    bed = None
    if gutter.width_mm and gutter.depth_mm:
        bed = substrate.bed(litres, filled_mm, gutter.width_mm, gutter.depth_mm, ratio)
    return SubstrateNeeds(
        loose_l=litres,
        filled_mm=filled_mm,
        per_mm_ml=per_mm_ml,
        tamped_l=substrate.tamped_l(litres, ratio),
        mass_kg=substrate.mass_kg(litres, made.density_g_l),
        loose_g_l=made.density_g_l,
        tamped_g_l=substrate.tamped_density_g_l(made.density_g_l, ratio),
        bed=bed,
    )


def _made_of(site: Site, crop: Crop) -> Substrate | None:
    return site.crops.substrates.get(crop.substrate) if crop.substrate else None


def _hopper(site: Site, crop: Crop, fill: Fill) -> HopperNeeds:
    """Its limits are those of the causes that read its level."""
    tag = f"{site.station('fill')}.hopper_level"
    low, empty = list[float](), list[float]()
    for cause in site.interlocks.causes.values():
        limits = [c.below for c in cause.when if c.point == tag and c.below is not None]
        (low if cause.moment == "warn" else empty).extend(limits)
    low_l, empty_l = max(low, default=None), max(empty, default=None)
    full, dose = float(fill.hopper_l), crop.substrate_l
    return HopperNeeds(
        hopper_l=full,
        low_l=low_l,
        empty_l=empty_l,
        until_low=None if low_l is None else substrate.gutters_until(full, low_l, dose),
        until_empty=substrate.gutters_until(full, empty_l or 0.0, dose),
        takt_ms=site.file.takt_ms,
    )


def _seed(site: Site, name: str, crop: Crop, drum: Seed) -> SeedNeeds:
    count, rows, per_cell = crop.seeds_per_gutter, crop.rows, crop.seeds_per_cell
    length, seeded_mm = site.file.gutter.length_mm, setpoints.worked_mm(site, drum)
    wanted, measured = crop.spacing_mm, site.calibration.drum
    holes = None if measured is None else measured.holes_per_row
    rate = setpoints.drum_seeds_s(site, drum, name)
    by_spacing = None
    if wanted is not None:
        by_spacing = seeds.seeds_in_gutter(length, wanted, rows, per_cell)
    return SeedNeeds(
        per_gutter=count,
        rows=rows,
        per_cell=per_cell,
        cells_in_row=seeds.cells_of(count, rows, per_cell),
        wanted_mm=wanted,
        wanted_seeds=by_spacing,
        seeded_mm=seeded_mm,
        laid_mm=seeds.spacing_mm(seeded_mm, count, per_cell, rows),
        mass_g=crop.thousand_seed_g and seeds.seeds_g(count, crop.thousand_seed_g),
        factor=site.calibration.drum_factor(name),
        rev_min=None if holes is None else seeds.drum_rev_min(rate, holes, rows, per_cell),
    )


def _shift(site: Site, crop: Crop) -> ShiftNeeds:
    gutters = int(lanes.gutters_in_shift(site.sowing_ms, site.file.takt_ms))
    litres, count = gutters * crop.substrate_l, gutters * crop.seeds_per_gutter
    made = _made_of(site, crop)
    return ShiftNeeds(
        gutters=gutters,
        substrate_l=litres,
        substrate_kg=None if made is None else substrate.mass_kg(litres, made.density_g_l),
        water_l=gutters * crop.water_ml / 1000,
        seeds=count,
        seed_g=crop.thousand_seed_g and seeds.seeds_g(count, crop.thousand_seed_g),
    )
