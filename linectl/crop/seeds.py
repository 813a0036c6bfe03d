"""Seeds of a gutter: cells, rows and spacing; their mass by thousand-seed weight; the drum's speed.

A cell is one place in a row where one or several seeds are dropped. Thousand-seed weight is the
mass of a thousand seeds as they are sown, so of a thousand pellets if they are pelleted.
"""

from __future__ import annotations

import math

from linectl.crop.above_zero import above_zero

_ROUNDING = 1e-9


def cells_in_row(length_mm: float, spacing_mm: float) -> int:
    """Whole cells of a row, each in the middle of its own `spacing_mm` of `length_mm`."""
    above_zero(length_mm=length_mm, spacing_mm=spacing_mm)
    return math.floor(length_mm / spacing_mm + _ROUNDING)


def seeds_in_gutter(length_mm: float, spacing_mm: float, rows: int = 1, per_cell: int = 1) -> int:
    """Seeds of a gutter: rows × cells × seeds a cell."""
    above_zero(rows=rows, per_cell=per_cell)
    return rows * cells_in_row(length_mm, spacing_mm) * per_cell


def cells_of(seeds: float, rows: int = 1, per_cell: int = 1) -> float:
    """Cells of one row that so many seeds fill; not rounded."""
    above_zero(rows=rows, per_cell=per_cell)
    return seeds / (rows * per_cell)


def spacing_mm(length_mm: float, seeds: float, per_cell: int = 1, rows: int = 1) -> float:
    """Distance between the cells of a row, in mm, when `seeds` lie evenly over `length_mm`."""
    above_zero(length_mm=length_mm, seeds=seeds)
    return length_mm / cells_of(seeds, rows, per_cell)


def seeds_g(seeds: float, thousand_seed_g: float) -> float:
    """Mass of so many seeds in grams. ValueError for a negative number or no mass."""
    above_zero(thousand_seed_g=thousand_seed_g)
    if seeds < 0:
        raise ValueError(f"seeds {seeds} is negative")
    return seeds * thousand_seed_g / 1000


def thousand_seed_g(seeds_per_g: float) -> float:
    """Thousand-seed weight in grams from the count of seeds in a gram."""
    above_zero(seeds_per_g=seeds_per_g)
    return 1000 / seeds_per_g


def drum_rev_min(seeds_s: float, holes_per_row: int, rows: int = 1, per_cell: int = 1) -> float:
    """Revolutions a minute of a drum with `holes_per_row` cells of holes round it in each row, that
    drops `seeds_s` seeds a second: cells a second of a row ÷ holes × 60."""
    above_zero(holes_per_row=holes_per_row)
    return cells_of(seeds_s, rows, per_cell) / holes_per_row * 60
