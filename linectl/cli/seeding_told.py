"""What `linectl seeding` tells: measurements and a crop's facts to the object of its `--json`."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from statistics import median
from typing import Any

from linectl.crop.seeding import (
    UNIFORM_PRECISION,
    Convention,
    Indices,
    best_vacuum,
    indices_by_vacuum,
    not_told_apart,
    seeding_indices,
)
from linectl.crop.seeds import spacing_mm as even_spacing_mm
from linectl.crop.stand import Stand, count_seeds_per_cell, expected_stand, seeds_per_cell_of
from linectl.site.crops import Crop
from linectl.site.spacings_file import Row

OFF = 0.05
"""Share by which cells may pass nearer or farther than wanted without a remark (common practice,
no source)."""
FEW = 30
"""Spacings below which shares say little (common practice, no source)."""


@dataclass(frozen=True)
class Wanted:
    """What the seeds are held against; None: nobody said."""

    spacing_mm: float | None = None
    seeds_per_cell: int | None = None
    germination: float | None = None
    rows: int = 1
    length_mm: float | None = None
    """Of a gutter."""
    cells: float | None = None
    """In a gutter: the drum need not serve all of its length."""

    def cells_per_gutter(self, cell_mm: float | None) -> float | None:
        """As many as are wanted; else as fit in its length; None: not known."""
        if self.cells is not None or self.length_mm is None or cell_mm is None:
            return self.cells
        return self.rows * self.length_mm / cell_mm


def wanted_of(crop: Crop, length_mm: float) -> Wanted:
    """What crops.yaml wants of a crop in gutters of that length."""
    even = even_spacing_mm(length_mm, crop.seeds_per_gutter, crop.seeds_per_cell, crop.rows)
    return Wanted(
        crop.spacing_mm or even, crop.seeds_per_cell, crop.germination, crop.rows, length_mm,
        crop.seeds_per_gutter / crop.seeds_per_cell,
    )  # fmt: skip


def spacings_told(
    rows: Sequence[Row], wanted: Wanted, convention: Convention, step_kpa: float
) -> dict[str, Any]:
    """Of measured spacings.

    spacings: how many. convention: `iso` or `share`. multiples, misses, quality_of_feed,
    precision: shares of 1, precision null with fewer than two spacings in class II. classes: counts
    of I to V. cells: that passed, N' of ISO 7256-1; cell_mm: how far apart. stand: see
    `stand_told`; null without a germination. by_vacuum: the indices by class of vacuum, where the
    file tells vacuums; best_vacuum_kpa: by quality of feed; not_told_apart_kpa: others that chance
    would explain.
    remarks: what a reader should know. Raises ValueError as `seeding_indices`.
    """
    if wanted.spacing_mm is None:
        raise ValueError("no spacing is wanted: name one")
    values = [row.value for row in rows]
    found = seeding_indices(values, wanted.spacing_mm, convention)
    told: dict[str, Any] = {
        "spacings": len(values),
        "convention": convention.value,
        "multiples": found.multiples,
        "misses": found.misses,
        "quality_of_feed": found.quality_of_feed,
        "precision": found.precision,
        "spacing_mm": wanted.spacing_mm,
        "mean_mm": found.mean_mm,
        "cell_mm": found.cell_mm,
        "classes": dict(zip(("I", "II", "III", "IV", "V"), found.classes, strict=True)),
        "cells": found.classes.cells,
        "uniform_precision": UNIFORM_PRECISION,
    }
    stand, remark = _stand_of(values, wanted)
    told["stand"] = None if stand is None else stand_told(stand)
    told["remarks"] = [*_remarks(found, values, wanted), *([remark] if remark else [])]
    told |= _vacuums(rows, wanted.spacing_mm, convention, step_kpa)
    return told


def _stand_of(values: Sequence[float], wanted: Wanted) -> tuple[Stand | None, str]:
    """The stand, or why there is none. It counts cells, so it is ISO's whatever is asked for."""
    assert wanted.spacing_mm is not None
    if wanted.germination is None:
        return None, ""
    try:
        counted = seeding_indices(values, wanted.spacing_mm, Convention.ISO)
        seeds = seeds_per_cell_of(counted)
    except ValueError as error:
        return None, f"no stand is told: {error}"
    return _stand(seeds, wanted.germination, wanted, counted.cell_mm), ""


def _stand(
    seeds: Mapping[int, float], germination: float, wanted: Wanted, cell_mm: float | None
) -> Stand:  # fmt: skip
    """Of cells that far apart in each row."""
    per_m = None if cell_mm is None else wanted.rows * 1000 / cell_mm
    return expected_stand(seeds, germination, per_m, wanted.cells_per_gutter(cell_mm))


def _remarks(found: Indices, values: Sequence[float], wanted: Wanted) -> list[str]:
    remarks = []
    middle = median(values)
    if not 0.4 <= middle / found.spacing_mm <= 2.5:
        remarks.append(
            f"half of the spacings are below {middle:g} mm, and {found.spacing_mm:g} mm is wanted: "
            "look at the units and at the wanted spacing"
        )
    cell_mm = found.cell_mm
    if cell_mm is not None and abs(cell_mm / found.spacing_mm - 1) > OFF and not remarks:
        share = cell_mm / found.spacing_mm - 1
        remarks.append(
            f"cells passed {cell_mm:.1f} mm apart, {abs(share):.0%} "
            f"{'nearer' if share < 0 else 'farther'} than wanted: look at the rate of the drum"
        )
    if (wanted.seeds_per_cell or 1) > 1:
        remarks.append(
            f"this crop has {wanted.seeds_per_cell} seeds a cell, and these indices are for one: "
            "count seeds per cell (--cells)"
        )
    if found.quality_of_feed < 0:
        remarks.append(
            "a quality of feed below zero says that more than half of the spacings are multiples"
        )
    if len(values) < FEW:
        remarks.append(f"{len(values)} spacings say little; measure whole gutters")
    return remarks


def _vacuums(
    rows: Sequence[Row], spacing_mm: float, convention: Convention, step_kpa: float
) -> dict[str, Any]:
    pairs = [(row.vacuum_kpa, row.value) for row in rows if row.vacuum_kpa is not None]
    if not pairs:
        return {}
    classes = indices_by_vacuum(pairs, spacing_mm, step_kpa, convention)
    best = best_vacuum(classes)
    alike = [] if best is None else not_told_apart(classes, best)
    return {
        "by_vacuum": [
            {
                "vacuum_kpa": row.vacuum_kpa,
                "spacings": row.spacings,
                "multiples": row.indices and row.indices.multiples,
                "misses": row.indices and row.indices.misses,
                "quality_of_feed": row.indices and row.indices.quality_of_feed,
                "standard_error": row.indices and row.indices.quality_error,
                "precision": row.indices and row.indices.precision,
            }
            for row in classes
        ],
        "best_vacuum_kpa": best and best.vacuum_kpa,
        "not_told_apart_kpa": [row.vacuum_kpa for row in alike],
    }


def cells_told(counts: Sequence[int], wanted: Wanted) -> dict[str, Any]:
    """Of counted seeds per cell.

    cells: how many were counted. distribution: cells by number of seeds. mean, variance (of the
    sample), dispersion_index (variance by mean; null of one cell or no seed). none: share without a
    seed. wanted: seeds per cell, or null; below_wanted: share of cells with fewer. stand: see
    `stand_told`; null without a germination. Raises ValueError as `count_seeds_per_cell`.
    """
    found = count_seeds_per_cell(counts)
    k = wanted.seeds_per_cell
    stand = None
    if wanted.germination is not None:
        shares = {seeds: found.share(seeds) for seeds in found.cells_by_seeds}
        stand = stand_told(_stand(shares, wanted.germination, wanted, wanted.spacing_mm))
    return {
        "cells": found.cells,
        "distribution": {str(seeds): n for seeds, n in found.cells_by_seeds.items()},
        "mean": found.mean,
        "variance": found.variance,
        "dispersion_index": found.dispersion_index,
        "none": found.none,
        "wanted": k,
        "below_wanted": None if k is None else found.below(k),
        "stand": stand,
        "remarks": [f"{found.cells} cells say little"] if found.cells < FEW else [],
    }


def stand_alone_told(wanted: Wanted) -> dict[str, Any]:
    """Of a crop that nobody has measured: the stand if every cell gets its seeds.

    stand: see `stand_told`. Raises ValueError without a germination.
    """
    if wanted.germination is None:
        raise ValueError("without its germination no stand can be told: add --germination")
    seeds = wanted.seeds_per_cell or 1
    stand = _stand({seeds: 1.0}, wanted.germination, wanted, wanted.spacing_mm)
    return {
        "stand": stand_told(stand),
        "seeds_per_cell": seeds,
        "spacing_mm": wanted.spacing_mm,
        "remarks": [],
    }


def stand_told(stand: Stand) -> dict[str, Any]:
    """germination; plants_per_cell: probabilities of 0, 1, 2 … plants; at_least_one, exactly_one,
    none: of a cell; plants_per_m of gutter where seeds lie, and plants_per_gutter: null if the
    cells in it are not known."""
    return {
        "germination": stand.germination,
        "plants_per_cell": list(stand.plants_per_cell),
        "at_least_one": stand.at_least_one,
        "exactly_one": stand.exactly_one,
        "none": stand.none,
        "plants_per_m": stand.plants_per_m,
        "plants_per_gutter": stand.plants_per_gutter,
    }
