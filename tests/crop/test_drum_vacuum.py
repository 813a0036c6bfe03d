"""Counted cells give the indices that spacings of the same row give."""

from __future__ import annotations

from itertools import pairwise

import pytest

from linectl.crop.drum_vacuum import at_vacuum, indices_of_cells
from linectl.crop.seeding import best_vacuum, seeding_indices


def test_counted_cells_agree_with_the_spacings_between_their_seeds() -> None:
    # a row of 21 cells at 100 mm: the 5th and 12th are empty, the 8th has a second seed 10 mm on
    seeds = [100.0 * cell for cell in range(21) if cell not in (4, 11)] + [710.0]
    places = sorted(seeds)
    spacings = [after - before for before, after in pairwise(places)]
    measured = seeding_indices(spacings, 100)
    counted = indices_of_cells(20, 2, 1, 100)  # 20 distances of cells passed under the spacings
    assert counted.quality_of_feed == pytest.approx(measured.quality_of_feed)
    assert counted.misses == pytest.approx(measured.misses)
    assert counted.multiples == pytest.approx(measured.multiples)
    assert counted.classes == measured.classes


def test_shares_of_counted_cells_add_up() -> None:
    found = indices_of_cells(240, 7, 3, 144)
    assert found.quality_of_feed + found.misses + found.multiples == pytest.approx(1)
    assert found.quality_of_feed == pytest.approx(230 / 240)


def test_the_best_vacuum_is_that_of_the_best_quality_of_feed() -> None:
    rows = [
        at_vacuum(kpa, indices_of_cells(200, empty, double, 144))
        for kpa, empty, double in ((8.0, 14, 0), (10.0, 5, 2), (12.0, 4, 9))
    ]
    best = best_vacuum(rows)
    assert best is not None and best.vacuum_kpa == 10.0


@pytest.mark.parametrize(("counts", "says"), [((10, 8, 3), "not among"), ((10, 6, 0), "look at")])
def test_counts_that_cannot_be_are_refused(counts: tuple[int, int, int], says: str) -> None:
    with pytest.raises(ValueError, match=says):
        indices_of_cells(*counts, 144)
