"""How the plant's drum singulates: the indices give back the chances that were put in."""

from __future__ import annotations

import itertools
import math
from pathlib import Path
from random import Random

import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from linectl.crop.seeding import seeding_indices
from linectl.crop.stand import count_seeds_per_cell
from linectl.errors import UsageError
from linectl.site.load import load_site
from linectl.site.scenario import load_scenario
from linectl.site.spacings_file import read_measured
from linectl_sim.singulation import JITTER, Chances, Stretch, chances, draw_cells, laid

SMALL = Path(__file__).parents[2] / "config" / "small"
CELLS = 5000
PITCH = 150.0
ERRORS = 3.5
"""Standard errors within which an estimate must lie; beyond it one of two thousand would."""


def _cells(hole: Chances, per_cell: int = 1, seed: int = 1):
    gutter = [Stretch(CELLS * PITCH, per_cell / PITCH, 11.0)]
    return draw_cells(Random(seed), gutter, 1, per_cell, lambda _: hole)


def _spacings(cells) -> list[float]:
    seeds = sorted(at_mm for cell in cells for at_mm in cell.seeds_mm)
    return [after - before for before, after in itertools.pairwise(seeds)]


def _moments(hole: Chances) -> tuple[float, float]:
    """Of the seeds of a hole that drops 0, 1, 2 with m, 1 − m − d, d: mean 1 − m + d, variance
    m + d − (d − m)²."""
    over = hole.multiple - hole.miss
    return 1 + over, hole.miss + hole.multiple - over**2


@settings(max_examples=10, deadline=None)
@example(miss=0.1, multiple=0.1, seed=1)
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
    hole = Chances(0.15, 0.05)
    found = count_seeds_per_cell(len(cell.seeds_mm) for cell in _cells(hole, per_cell))
    assert found.cells == CELLS
    mean, variance = _moments(hole)
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


def test_between_too_little_vacuum_and_too_much_lies_the_most_single_seed(rehearsed):
    seeder = rehearsed[0].plant.machine.seeder
    low, usual, high = (seeder.chances_at(kpa, "green_oakleaf") for kpa in (6.5, 10.0, 16.0))
    assert low.miss > usual.miss
    assert low.multiple < usual.multiple < high.multiple
    singles = [1 - hole.miss - hole.multiple for hole in (low, usual, high)]
    assert singles[1] == max(singles)


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
    """A shift in which people turn the relief valve, then change to a crop of several seeds a
    cell; it writes how its seeds lie."""
    folder = tmp_path_factory.mktemp("sown")
    trial, path = folder / "trial.yaml", folder / "sown.csv"
    trial.write_text("- {at: 3m, do: set vacuum, part: seed, kpa: 9.5}\n", encoding="utf-8")
    scenario = load_scenario(trial, load_site(SMALL))
    made = shift("small", sown=path, scenario=scenario).run("4m")
    made.command("sowing", "crop", "rocket")
    made.run("8m").outcome  # noqa: B018 writes the file
    return made, path


def test_a_gutters_seeds_are_as_many_as_the_drum_let_down_but_for_chance(rehearsed):
    """Summed over the gutters of each crop: the drum counts means, the seeds on them are drawn."""
    plant = rehearsed[0].plant
    rows = plant.sown()
    for crop, per_cell in (("green_oakleaf", 1), ("rocket", 3)):
        bodies = [body for body in plant.world.bodies if body.sown and body.crop == crop]
        assert len(bodies) > 4
        own = [row for row in rows if row["crop"] == crop]
        assert {row["gutter"] for row in own} == {body.gutter for body in bodies}
        spread = len(bodies) * per_cell**2 / 12  # a gutter ends somewhere between two cells
        for body in bodies:
            mean = 0.0
            for stretch in body.sown:
                hole = plant.machine.seeder.chances_at(stretch.vacuum_kpa, crop)
                holes, of_hole = stretch.length_mm * stretch.holes_per_mm, _moments(hole)
                mean += holes * of_hole[0]
                spread += holes * of_hole[1]
            assert mean == pytest.approx(body.seeds)
        seeds = sum(1 if row["seeds"] is None else row["seeds"] for row in own)
        let_down = sum(body.seeds for body in bodies)
        assert seeds == pytest.approx(let_down, abs=ERRORS * math.sqrt(spread))


def test_what_the_relief_valve_was_set_to_is_told_of_every_seed(rehearsed):
    plant = rehearsed[0].plant
    vacuums = [row["vacuum_kpa"] for row in plant.sown()]
    assert set(vacuums) == {11.2, 9.5}
    assert vacuums == sorted(vacuums, reverse=True)
    for kpa in ("lots", 0, 102, float("nan")):
        with pytest.raises(UsageError, match="above 0 and below 101"):
            plant.do("set vacuum", "seed", kpa=kpa)
    with pytest.raises(UsageError, match="no such seeder"):
        plant.do("set vacuum", "fill", kpa=9)


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
    asked = shift("small").run("2m30s")
    first = asked.plant.sown()
    assert first
    asked.run("3m")
    assert asked.plant.sown()[: len(first)] == first
    before = {body.number: body.seeds for body in rehearsed[0].plant.world.bodies}
    indexed = [body for body in asked.plant.world.bodies if body.sown and body.indexed_at]
    assert indexed
    assert all(body.seeds == before[body.number] for body in indexed)
