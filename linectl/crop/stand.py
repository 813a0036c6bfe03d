"""The stand to expect: plants per cell, gutter and metre from seeds per cell and germination.

A cell is one place that the drum serves, with one seed (pelleted) or several (raw). Every seed
becomes a plant by itself with the probability of its germination, so a cell with k seeds has a
binomial number of plants: P(at least one) = 1 − (1 − g)^k. Plants that die later are not in it.
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Iterable, Mapping
from dataclasses import dataclass

from linectl.crop.seeding import Convention, Indices

GERMINATION_STANDARDS: Mapping[str, float] = {
    "chicory": 0.65,
    "cornsalad": 0.70,
    "cress, garden": 0.75,
    "endive": 0.70,
    "kale": 0.75,
    "lettuce": 0.80,
    "mustard, India": 0.75,
    "pak-choi": 0.75,
    "parsley": 0.60,
    "spinach": 0.60,
    "Swiss chard": 0.65,
}
"""Federal Seed Act germination standards for vegetable seeds in interstate commerce of the USA,
of leafy crops (7 CFR 201.31, 59 FR 64491): below them a label must say so. No target for a lot."""


SEEDS_MOST = 1000
"""Seeds in a cell: more are taken for a mistake, and would be too many for exact chances."""


@dataclass(frozen=True)
class Stand:
    """What to expect of a gutter."""

    germination: float
    plants_per_cell: tuple[float, ...]
    """Probability of 0, 1, 2 … plants in a cell."""
    cells_per_m: float | None
    """Of gutter where seeds lie, over all its rows; None: not known."""
    cells_per_gutter: float | None
    """None: not known."""

    @property
    def none(self) -> float:
        """Probability that a cell stays empty."""
        return self.plants_per_cell[0]

    @property
    def at_least_one(self) -> float:
        """Probability that a cell has a plant."""
        return 1 - self.none

    @property
    def exactly_one(self) -> float:
        """Probability that a cell has one plant."""
        return self.plants_per_cell[1] if len(self.plants_per_cell) > 1 else 0.0

    @property
    def mean(self) -> float:
        """Expected plants in a cell."""
        return math.fsum(number * share for number, share in enumerate(self.plants_per_cell))

    @property
    def plants_per_m(self) -> float | None:
        """Expected plants per metre of gutter, where seeds lie; None: distance not known."""
        return None if self.cells_per_m is None else self.mean * self.cells_per_m

    @property
    def plants_per_gutter(self) -> float | None:
        """Expected plants in a gutter; None if its cells are not known."""
        return None if self.cells_per_gutter is None else self.mean * self.cells_per_gutter


def expected_stand(
    seeds: Mapping[int, float],
    germination: float,
    cells_per_m: float | None = None,
    cells_per_gutter: float | None = None,
) -> Stand:
    """The stand of cells with these shares of seeds per cell, so many in a metre and a gutter.

    Raises ValueError as `plants_per_cell`, and unless the numbers of cells are above zero.
    """
    for cells in (cells_per_m, cells_per_gutter):
        if cells is not None and not cells > 0:
            raise ValueError(f"{cells:g} cells must be above zero")
    chances = plants_per_cell(seeds, germination)
    return Stand(germination, chances, cells_per_m, cells_per_gutter)


def plants_per_cell(seeds: Mapping[int, float], germination: float) -> tuple[float, ...]:
    """Probability of 0, 1, 2 … plants in a cell.

    seeds: share of cells by their number of seeds; the shares are of any sum. germination: 0 to 1.
    Raises ValueError outside these, for shares or seeds below zero, and beyond `SEEDS_MOST`.
    """
    if not 0 <= germination <= 1:
        raise ValueError(f"a germination of {germination:g} is outside 0 to 1")
    whole = math.fsum(seeds.values())
    if not whole > 0 or min(seeds.values()) < 0 or min(seeds) < 0:
        raise ValueError("seeds per cell and their shares cannot be below zero, nor be none")
    if max(seeds) > SEEDS_MOST:
        raise ValueError(f"{max(seeds)} seeds in a cell are more than {SEEDS_MOST}")
    found = [0.0] * (max(seeds) + 1)
    for number, share in seeds.items():
        for plants in range(number + 1):
            found[plants] += share / whole * binomial(number, plants, germination)
    return tuple(found)


def binomial(trials: int, hits: int, share: float) -> float:
    """Probability of so many hits in so many trials, each with probability `share`."""
    return math.comb(trials, hits) * share**hits * (1 - share) ** (trials - hits)


def seeds_per_cell_of(indices: Indices) -> dict[int, float]:
    """Shares of cells with no, one and two seeds, from spacings of a crop with one seed a cell.

    A multiple is taken as two seeds. Raises ValueError by another convention than ISO 7256-1,
    which alone counts cells, and where its quality of feed is below zero.
    """
    if indices.convention is not Convention.ISO:
        raise ValueError("only ISO 7256-1 counts cells: shares of spacings give no stand")
    if indices.quality_of_feed < 0:
        raise ValueError("more than half of the spacings are multiples: count seeds per cell")
    return {0: indices.misses, 1: indices.quality_of_feed, 2: indices.multiples}


@dataclass(frozen=True)
class SeedsPerCell:
    """Counted seeds per cell: how many cells have how many."""

    cells_by_seeds: Mapping[int, int]
    """In ascending order of seeds."""

    @property
    def cells(self) -> int:
        """Counted."""
        return sum(self.cells_by_seeds.values())

    @property
    def mean(self) -> float:
        """Seeds per cell."""
        return sum(seeds * cells for seeds, cells in self.cells_by_seeds.items()) / self.cells

    @property
    def variance(self) -> float | None:
        """Of the sample (n − 1); None of a single cell."""
        if self.cells < 2:
            return None
        mean = self.mean
        squares = (cells * (seeds - mean) ** 2 for seeds, cells in self.cells_by_seeds.items())
        return math.fsum(squares) / (self.cells - 1)

    @property
    def dispersion_index(self) -> float | None:
        """Variance by mean: 0 if every cell has as many, 1 as strewn by chance (Poisson), above 1
        in clumps (Fisher's index of dispersion, from memory). None of one cell, or of no seed."""
        variance = self.variance
        return None if variance is None or not self.mean else variance / self.mean

    @property
    def none(self) -> float:
        """Share of cells without a seed."""
        return self.share(0)

    def share(self, seeds: int) -> float:
        """Share of cells with so many seeds."""
        return self.cells_by_seeds.get(seeds, 0) / self.cells

    def below(self, wanted: int) -> float:
        """Share of cells with fewer seeds than wanted."""
        return sum(n for seeds, n in self.cells_by_seeds.items() if seeds < wanted) / self.cells


def count_seeds_per_cell(counts: Iterable[int]) -> SeedsPerCell:
    """The distribution of counts, one a cell.

    Raises ValueError for none, one below zero, or one beyond `SEEDS_MOST`.
    """
    found = Counter(counts)
    if not found:
        raise ValueError("there is no count: count at least one cell")
    if min(found) < 0:
        raise ValueError(f"{min(found)} seeds in a cell cannot be: counts are not below zero")
    if max(found) > SEEDS_MOST:
        raise ValueError(f"{max(found)} seeds in a cell are more than {SEEDS_MOST}")
    return SeedsPerCell(dict(sorted(found.items())))
