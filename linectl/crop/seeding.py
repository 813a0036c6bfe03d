"""Seeding quality: multiples, misses, quality of feed and precision of measured seed spacings.

A spacing is the distance from one seed to the next along a row; X is the wanted one, from cell to
cell. Classes of spacings are those of ISO 7256-1:1984 (from memory of the standard; the limits as
in Bracy and Parish, HortTechnology, 2001, and Kachman and Smith, Transactions of the ASAE 38,
1995): I up to 0.5 X, II up to 1.5 X, III up to 2.5 X, IV up to 3.5 X, V beyond.

Two conventions make shares of them, and each result says which one it follows:

- `iso`, ISO 7256-1: shares of the cells that passed. A spacing of class III passed over one cell,
  of IV over two, of V over three. It is the default: a gap of three cells weighs as three, and
  the shares answer what the drum did at each cell.
- `share`, shares of the spacings measured, as Bracy and Parish and most papers since: a gap counts
  once however long it is.

The precision is the same in both: the sample standard deviation of class II by X, and None with
fewer than two spacings there. (Bracy and Parish word it as a coefficient of variation, which
divides by the mean of class II instead; ISO and Kachman and Smith divide by X, as here.)
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from enum import StrEnum
from statistics import stdev
from typing import NamedTuple

CLASS_LIMITS = (0.5, 1.5, 2.5, 3.5)
"""Upper limits of the classes I to IV, in X; the limit itself belongs to the class below it."""
UNIFORM_PRECISION = 1 / math.sqrt(12)
"""Standard deviation, in X, of spacings strewn evenly over class II: 28.87 %. Precision near it
says that nothing holds the seeds to their cells."""
LIKELY_ERRORS = 2.0
"""Standard errors of a difference below which two vacuums are not told apart (about 95 %)."""


class Convention(StrEnum):
    """What the shares are shares of."""

    ISO = "iso"
    SHARE = "share"

    @property
    def says(self) -> str:
        """In words, for a table's foot."""
        if self is Convention.ISO:
            return "ISO 7256-1: shares of the cells that passed"
        return "share of the spacings measured"


class Classes(NamedTuple):
    """How many spacings lie in each class."""

    multiple: int
    single: int
    one_miss: int
    two_misses: int
    more_misses: int

    @property
    def spacings(self) -> int:
        """Of all classes."""
        return sum(self)

    @property
    def cells(self) -> int:
        """Cells that passed under these spacings: N' of ISO 7256-1."""
        return self.single + 2 * self.one_miss + 3 * self.two_misses + 4 * self.more_misses

    @property
    def missed(self) -> int:
        """Cells passed over: n0 of ISO 7256-1; a gap of class V counts three."""
        return self.one_miss + 2 * self.two_misses + 3 * self.more_misses


@dataclass(frozen=True)
class Indices:
    """Seeding quality of one set of spacings; shares of 1."""

    convention: Convention
    spacing_mm: float
    """X."""
    classes: Classes
    multiples: float
    misses: float
    quality_of_feed: float
    """Below zero, by ISO's definition, when more than half of all spacings are multiples."""
    precision: float | None
    """None with fewer than two spacings in class II."""
    mean_mm: float
    """Of all spacings."""

    @property
    def of(self) -> int:
        """What the shares are of: cells or spacings."""
        return self.classes.cells if self.convention is Convention.ISO else self.classes.spacings

    @property
    def quality_error(self) -> float:
        """Standard error of the quality of feed, as of a share of `of` independent cells."""
        share = min(max(self.quality_of_feed, 0.0), 1.0)
        return math.sqrt(share * (1 - share) / self.of)

    @property
    def cell_mm(self) -> float | None:
        """Distance at which cells really passed: what was measured by the cells in it; None if
        every spacing is a multiple."""
        cells = self.classes.cells
        return self.mean_mm * self.classes.spacings / cells if cells else None


def class_of(spacing_mm: float, wanted_mm: float) -> int:
    """Number of the class of a spacing, 0 for I to 4 for V."""
    return sum(1 for limit in CLASS_LIMITS if spacing_mm > limit * wanted_mm)


def tenth_of(spacing_mm: float, wanted_mm: float) -> int:
    """Number n of the bar of a histogram in tenths of X: n/10 < x/X ≤ (n + 1)/10; 0 has zero.

    The upper limit belongs to it as to a class, so no bar stands astride a class limit.
    """
    return max(0, math.ceil(round(spacing_mm / wanted_mm * 10, 9)) - 1)


def classify(spacings_mm: Iterable[float], wanted_mm: float) -> Classes:
    """Counts by class.

    Raises ValueError unless the wanted spacing is above zero and no spacing is below zero (zero
    is two seeds on one spot).
    """
    if not wanted_mm > 0:
        raise ValueError(f"a wanted spacing of {wanted_mm:g} mm must be above zero")
    counts = [0] * (len(CLASS_LIMITS) + 1)
    for spacing in spacings_mm:
        if not spacing >= 0 or math.isinf(spacing):
            raise ValueError(f"a spacing of {spacing:g} mm cannot be: distances are not below zero")
        counts[class_of(spacing, wanted_mm)] += 1
    return Classes(*counts)


def seeding_indices(
    spacings_mm: Sequence[float], wanted_mm: float, convention: Convention = Convention.ISO
) -> Indices:
    """The indices of these spacings against the wanted one.

    ISO 7256-1: n2 = N − 2 n1, n0 = n'3 + 2 n'4 + 3 n'5, N' = n'2 + 2 n'3 + 3 n'4 + 4 n'5; multiples
    n1/N', misses n0/N', quality of feed n2/N', which add up to 1. Raises ValueError as `classify`,
    without any spacing, and, by ISO, when every spacing is a multiple: then no cell passed.
    """
    classes = classify(spacings_mm, wanted_mm)
    total = classes.spacings
    if not total:
        raise ValueError("there is no spacing: measure at least one")
    if convention is Convention.ISO:
        of, missed, singles = classes.cells, classes.missed, total - 2 * classes.multiple
        if not of:
            raise ValueError(
                f"every spacing is at most half of {wanted_mm:g} mm: is the wanted spacing right?"
            )
    else:
        of, singles = total, classes.single
        missed = total - classes.multiple - classes.single
    kept = [spacing for spacing in spacings_mm if class_of(spacing, wanted_mm) == 1]
    return Indices(
        convention=convention,
        spacing_mm=wanted_mm,
        classes=classes,
        multiples=classes.multiple / of,
        misses=missed / of,
        quality_of_feed=singles / of,
        precision=stdev(kept) / wanted_mm if len(kept) > 1 else None,
        mean_mm=math.fsum(spacings_mm) / total,
    )


class AtVacuum(NamedTuple):
    """One class of vacuum. indices: None when every spacing in it is a multiple."""

    vacuum_kpa: float
    spacings: int
    indices: Indices | None


def indices_by_vacuum(
    measured: Iterable[tuple[float, float]],
    wanted_mm: float,
    step_kpa: float,
    convention: Convention = Convention.ISO,
) -> list[AtVacuum]:
    """The indices by vacuum, from pairs of (vacuum in kPa, spacing in mm), the lowest first.

    A vacuum belongs to the multiple of `step_kpa` next to it (half-way: the upper one). Raises
    ValueError as `classify`, and unless the step is above zero.
    """
    if not step_kpa > 0:
        raise ValueError(f"a step of {step_kpa:g} kPa must be above zero")
    groups: dict[int, list[float]] = {}
    for vacuum_kpa, spacing in measured:
        groups.setdefault(math.floor(vacuum_kpa / step_kpa + 0.5), []).append(spacing)
    found = []
    for number, spacings in sorted(groups.items()):
        passed = convention is Convention.SHARE or classify(spacings, wanted_mm).cells > 0
        indices = seeding_indices(spacings, wanted_mm, convention) if passed else None
        found.append(AtVacuum(number * step_kpa, len(spacings), indices))
    return found


def best_vacuum(rows: Iterable[AtVacuum]) -> AtVacuum | None:
    """The row with the highest quality of feed; of equals the lower vacuum. None without any."""
    judged = [row for row in rows if row.indices is not None]
    return max(judged, key=lambda row: (_quality(row), -row.vacuum_kpa), default=None)


def not_told_apart(rows: Iterable[AtVacuum], best: AtVacuum) -> list[AtVacuum]:
    """Rows whose quality of feed differs from the best one's by no more than chance would.

    Two shares are told apart from `LIKELY_ERRORS` standard errors of their difference on (the
    normal approximation: it says little with fewer than some thirty spacings a row).
    """
    return [
        row
        for row in rows
        if row != best
        and row.indices is not None
        and _quality(best) - _quality(row) <= LIKELY_ERRORS * math.hypot(_error(best), _error(row))
    ]


def _quality(row: AtVacuum) -> float:
    return row.indices.quality_of_feed if row.indices is not None else -math.inf


def _error(row: AtVacuum) -> float:
    return row.indices.quality_error if row.indices is not None else 0.0
