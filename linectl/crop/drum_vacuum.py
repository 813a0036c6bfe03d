"""Quality of feed from counted cells of a drum, and the vacuum at which it is best.

A cell that holds no seed is a miss, one with two or more a multiple. That is ISO 7256-1's share
convention on cells that are seen, instead of on spacings that are measured: N' cells passed, n0
of them empty, n1 with more than one (see seeding.py).
"""

from __future__ import annotations

from linectl.crop.seeding import AtVacuum, Classes, Convention, Indices


def indices_of_cells(cells: int, empty: int, multiple: int, wanted_mm: float) -> Indices:
    """The indices of `cells` counted, each empty one taken as a gap of its own.

    wanted_mm: distance of the cells. Raises ValueError if the counts contradict one another, or
    when more than half are empty: that is no singulation.
    """
    if cells < 1 or empty < 0 or multiple < 0 or empty + multiple > cells:
        raise ValueError(
            f"{empty} empty and {multiple} with two or more are not among {cells} cells"
        )
    if 2 * empty > cells:
        raise ValueError(f"{empty} of {cells} cells are empty: look at vacuum, holes and seed")
    classes = Classes(multiple, cells - 2 * empty, empty, 0, 0)
    return Indices(
        convention=Convention.ISO,
        spacing_mm=wanted_mm,
        classes=classes,
        multiples=multiple / cells,
        misses=empty / cells,
        quality_of_feed=(cells - empty - multiple) / cells,
        precision=None,
        mean_mm=wanted_mm * cells / classes.spacings if classes.spacings else wanted_mm,
    )


def at_vacuum(vacuum_kpa: float, indices: Indices) -> AtVacuum:
    """One vacuum of a curve."""
    return AtVacuum(vacuum_kpa, indices.classes.spacings, indices)
