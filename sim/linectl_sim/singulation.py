"""How the drum singulates: cells with no seed, one or two in a hole, and where seeds come to lie.

A gutter keeps only what passed beneath the drum: stretches of belt travel, each with the holes
that came round per millimetre and the vacuum at them. Where its seeds lie is drawn from a stream
of the gutter's own when somebody asks, and always the same: a rehearsal in which nobody asks
draws nothing, and asking shifts nobody's chance.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from random import Random
from typing import NamedTuple

JITTER = 0.04
"""Standard deviation of a seed about its cell, in distances of cells (invented: a roll of some
millimetres)."""
BESIDE = (0.02, 0.10)
"""How far the second seed of a hole lies from the first, in distances of cells (invented)."""


class Stretch(NamedTuple):
    """Belt travel with the same drum above it: holes of all rows per mm, and their vacuum."""

    length_mm: float
    holes_per_mm: float
    vacuum_kpa: float


class Chances(NamedTuple):
    """Of a hole of the drum: that it drops no seed, or two."""

    miss: float
    multiple: float


class Cell(NamedTuple):
    """One cell of a row, and where its seeds lie; mm from where seeding began."""

    row: int
    vacuum_kpa: float
    seeds_mm: tuple[float, ...]


def chances(strength: float, mean: float) -> Chances:
    """What a hole does at a vacuum of `strength` times the least one, with `mean` seeds dropped.

    Misses fall and multiples rise with vacuum, so that the most single seeds lie between (that
    they do is common practice; the figures are invented). The mean is kept: 1 − miss + multiple.
    """
    over = min(strength - 1, 1)
    multiple = 0.004 + 0.03 * over**2 if over >= 0 else 0.004 * strength
    multiple = max(min(multiple, mean / 2), mean - 1)
    return Chances(1 + multiple - mean, multiple)


def laid(stretches: list[Stretch], now: Stretch) -> None:
    """Add what has just passed; a stretch like the one before prolongs it."""
    if stretches and stretches[-1][1:] == now[1:]:
        now = now._replace(length_mm=now.length_mm + stretches.pop().length_mm)
    stretches.append(now)


def draw_cells(
    random: Random,
    stretches: Sequence[Stretch],
    rows: int,
    per_cell: int,
    chances_at: Callable[[float], Chances],
) -> list[Cell]:
    """Every cell of a gutter and its seeds, the rows side by side. chances_at: by vacuum."""
    cells = []
    for at_mm, distance_mm, vacuum_kpa in _cells(stretches, rows * per_cell):
        hole = chances_at(vacuum_kpa)
        for row in range(1, rows + 1):
            seeds: list[float] = []
            for _ in range(per_cell):
                seeds += _drop(random, hole, at_mm, distance_mm)
            cells.append(Cell(row, vacuum_kpa, tuple(sorted(seeds))))
    return cells


def _cells(stretches: Sequence[Stretch], holes: int) -> Iterator[tuple[float, float, float]]:
    """Place, distance to its neighbours and vacuum of each cell of `holes` holes over all rows."""
    began_mm, passed = 0.0, 0.5
    for length_mm, holes_per_mm, vacuum_kpa in stretches:
        per_mm = holes_per_mm / holes
        after = passed + length_mm * per_mm
        for number in range(int(passed) + 1, int(after) + 1):
            yield began_mm + (number - passed) / per_mm, 1 / per_mm, vacuum_kpa
        began_mm, passed = began_mm + length_mm, after


def _drop(random: Random, hole: Chances, at_mm: float, distance_mm: float) -> list[float]:
    """Where the seeds of one hole lie."""
    fell = random.random()
    if fell < hole.miss:
        return []
    seed = at_mm + random.gauss(0, JITTER) * distance_mm
    if fell < 1 - hole.multiple:
        return [seed]
    return [seed, seed + random.uniform(*BESIDE) * distance_mm]
