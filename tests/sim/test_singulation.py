"""How the plant's drum singulates: the indices give back the chances that were put in."""

from __future__ import annotations

import itertools
import math
from random import Random

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from linectl.crop.seeding import seeding_indices
from linectl.crop.stand import count_seeds_per_cell
from linectl.site.spacings_file import read_measured
from linectl_sim.singulation import JITTER, Chances, Stretch, chances, draw_cells, laid

CELLS = 1500
PITCH = 150.0
ERRORS = 3.5
"""Standard errors within which an estimate must lie; beyond it one of two thousand would."""


def _cells(hole: Chances, per_cell: int = 1, seed: int = 1):
    gutter = [Stretch(CELLS * PITCH, per_cell / PITCH, 11.0)]
    return draw_cells(Random(seed), gutter, 1, per_cell, lambda _: hole)


def _spacings(cells) -> list[float]:
    seeds = sorted(at_mm for cell in cells for at_mm in cell.seeds_mm)
    return [after - before for before, after in itertools.pairwise(seeds)]


@settings(max_examples=20, deadline=None)
@given(st.floats(0, 0.12), st.floats(0, 0.12), st.integers(0, 10**6))
def test_misses_and_multiples_come_back_out_of_the_spacings(miss, multiple, seed):
    """By ISO 7256-1, which counts cells: each within its standard error √(p (1 − p) / N′). More
    than three misses in a row, which its class V cannot count, are rarer than 1 in 4,000."""
    found = seeding_indices(_spacings(_cells(Chances(miss, multiple), seed=seed)), PITCH)
    for share, index in ((miss, found.misses), (multiple, found.multiples)):
        assert abs(index - share) <= ERRORS * math.sqrt(share * (1 - share) / found.of) + 1 / CELLS
    assert found.cell_mm == pytest.approx(PITCH, rel=0.002)


def test_precision_comes_back_as_the_jitter_of_two_neighbours():
    """A spacing between single seeds is one distance and the difference of two jitters: √2 of one.
    The standard error of a deviation is s / √(2 n)."""
    found = seeding_indices(_spacings(_cells(Chances(0.0, 0.0))), PITCH)
    wanted = math.sqrt(2) * JITTER
    assert found.precision == pytest.approx(wanted, abs=ERRORS * wanted / math.sqrt(2 * CELLS))


@pytest.mark.parametrize("per_cell", [2, 3, 5])
def test_cells_of_several_seeds_have_the_mean_and_dispersion_of_so_many_holes(per_cell):
    """A hole drops 0, 1, 2 with m, 1 − m − d, d: mean 1 − m + d, variance m + d − (d − m)²."""
    hole = Chances(0.15, 0.05)
    found = count_seeds_per_cell(len(cell.seeds_mm) for cell in _cells(hole, per_cell))
    assert found.cells == CELLS
    mean = 1 - hole.miss + hole.multiple
    variance = hole.miss + hole.multiple - (hole.multiple - hole.miss) ** 2
    error = math.sqrt(per_cell * variance / CELLS)
    assert found.mean == pytest.approx(per_cell * mean, abs=ERRORS * error)
    index = variance / mean
    assert found.dispersion_index == pytest.approx(index, abs=ERRORS * index * math.sqrt(3 / CELLS))


@given(st.floats(0, 5), st.floats(0, 1.2))
def test_chances_are_chances_and_keep_the_mean(strength, mean):
    hole = chances(strength, mean)
    assert hole.miss >= -1e-12
    assert hole.multiple >= 0
    assert hole.miss + hole.multiple <= 1 + 1e-12
    assert 1 - hole.miss + hole.multiple == pytest.approx(mean)


def test_cells_go_on_evenly_where_the_vacuum_changes_in_mid_gutter():
    gutter: list[Stretch] = []
    for length_mm, vacuum_kpa in ((500.0, 11.0), (260.0, 11.0), (640.0, 5.0)):
        laid(gutter, Stretch(length_mm, 1 / 100, vacuum_kpa))
    assert [stretch.length_mm for stretch in gutter] == [760.0, 640.0]
    cells = draw_cells(Random(1), gutter, 1, 1, lambda _: Chances(0, 0))
    assert [cell.vacuum_kpa for cell in cells] == [11.0] * 8 + [5.0] * 6
    at = [cell.seeds_mm[0] for cell in cells]
    assert at == pytest.approx([50 + 100 * n for n in range(14)], abs=5 * JITTER * 100)


def test_rows_lie_side_by_side_with_chances_of_their_own():
    gutter = [Stretch(3000.0, 3 / 100, 11.0)]
    cells = draw_cells(Random(1), gutter, 3, 1, lambda _: Chances(0.2, 0))
    assert [sum(cell.row == row for cell in cells) for row in (1, 2, 3)] == [30, 30, 30]
    missed = [[not cell.seeds_mm for cell in cells if cell.row == row] for row in (1, 2, 3)]
    assert missed[0] != missed[1] != missed[2]


@pytest.fixture(scope="module")
def rehearsed(shift, tmp_path_factory):
    """A shift that changes to a crop of several seeds a cell, and writes how its seeds lie."""
    path = tmp_path_factory.mktemp("sown") / "sown.csv"
    made = shift("small", sown=path).run("4m30s")
    made.command("sowing", "crop", "rocket")
    made.run("9m").outcome  # noqa: B018 writes the file
    return made, path


def test_a_gutters_seeds_are_as_many_as_the_drum_let_down_but_for_chance(rehearsed):
    """Summed over the gutters of each crop: the drum counts means, the seeds on them are drawn."""
    plant = rehearsed[0].plant
    rows, seeder = plant.sown(), plant.machine.seeder
    for crop, per_cell in (("green_oakleaf", 1), ("rocket", 3)):
        bodies = [body for body in plant.world.bodies if body.sown and body.crop == crop]
        assert len(bodies) > 4
        hole = seeder.chances_at(seeder.vacuum_kpa, crop)
        variance = hole.miss + hole.multiple - (hole.multiple - hole.miss) ** 2
        own = [row for row in rows if row["crop"] == crop]
        assert {row["gutter"] for row in own} == {body.gutter for body in bodies}
        holes = sum(stretch.length_mm * stretch.holes_per_mm for b in bodies for stretch in b.sown)
        # a gutter ends somewhere between two cells
        error = math.sqrt(holes * variance + len(bodies) * per_cell**2 / 12)
        seeds = sum(1 if row["seeds"] is None else row["seeds"] for row in own)
        assert seeds == pytest.approx(sum(body.seeds for body in bodies), abs=ERRORS * error)


def test_what_a_rehearsal_writes_is_what_seeding_reads(rehearsed):
    made, path = rehearsed
    rows = made.plant.sown()
    spacings = read_measured(path.read_bytes(), path.name, "spacing_mm")
    assert [(row.value, row.vacuum_kpa, row.crop) for row in spacings] == [
        (row["spacing_mm"], row["vacuum_kpa"], "green_oakleaf")
        for row in rows
        if row["spacing_mm"] is not None
    ]
    counts = read_measured(path.read_bytes(), path.name, "seeds")
    assert [row.value for row in counts] == [
        row["seeds"] for row in rows if row["crop"] == "rocket"
    ]


def test_to_ask_where_seeds_lie_shifts_nobodys_chance(rehearsed, shift):
    asked = shift("small").run("3m")
    first = asked.plant.sown()
    asked.run("4m")
    assert asked.plant.sown()[: len(first)] == first
    before = {body.number: body.seeds for body in rehearsed[0].plant.world.bodies}
    indexed = [body for body in asked.plant.world.bodies if body.sown and body.indexed_at]
    assert indexed
    assert all(body.seeds == before[body.number] for body in indexed)
