"""Vessels that people hold under fill, water and seed, and what scale and count tell of them.

A vessel stands where no gutter does: what a tool lets down falls into it. Weighed, it is empty
again. Figures of scale and measure are invented; the drum's cells are counted one by one.
"""

from __future__ import annotations

from collections.abc import Callable
from functools import partial
from typing import Any

from linectl.errors import UsageError
from linectl_sim.faults import nearest
from linectl_sim.machine import Machine
from linectl_sim.outlets import Outlet, Vessel
from linectl_sim.singulation import draw_cells

SCALE_KG = 0.002
"""Standard deviation of one weighing, kg."""
MEASURE_SHARE = 0.005
"""Standard deviation of a volume of loose substrate read from a measure, as a share of it."""
WATER_KG_L = 1 / 1.0029
"""What a scale in air shows of a litre of water at 20 °C, kg: 1/Z, Z = 1.0029 ml/g as ISO 8655-6
tabulates it (from memory)."""
PEAT_KG_L = 0.1
"""Bulk density of loose peat, kg/l, where crops.yaml names no substrate; source: see
crop/substrate.py."""


class Vessels:
    """Puts, takes and weighs them. UsageError for a part under which none can be held."""

    def __init__(self, machine: Machine) -> None:
        self._machine = machine
        self._random = machine.world.stream("scale")
        self._weighed: dict[str, tuple[Outlet, Callable[[Vessel], dict[str, Any]]]] = {
            machine.filler.name: (machine.filler.outlet, self._substrate),
            machine.waterer.name: (machine.waterer.outlet, self._water),
            machine.seeder.name: (machine.seeder.outlet, self._seeds),
        }
        self._drawn = 0
        self.acts = {
            "put vessel": lambda part, _: self._of(part)[0].put_vessel(Vessel()),
            "take vessel": lambda part, _: self._of(part)[0].put_vessel(None),
            "spill": lambda part, _: self._of(part)[0].spill(),
        }

    def weigh(self, part: str) -> dict[str, Any]:
        """What is in the vessel under `part`; it is emptied.

        fill: l (loose) and kg. water: ml and kg. seed: seeds, and of the cells that passed how
        many there were (cells), without a seed (empty), with two or more (multiple).
        """
        outlet, weighed = self._of(part)
        outlet.settle()
        if outlet.vessel is None:
            raise UsageError(f"no vessel stands under {part}; `put vessel {part}` first")
        full = outlet.vessel
        outlet.put_vessel(Vessel())
        return weighed(full)

    def _of(self, part: str) -> tuple[Outlet, Callable[[Vessel], dict[str, Any]]]:
        if part not in self._weighed:
            raise UsageError(f"no vessel fits under {part!r}{nearest(part, self._weighed)}")
        return self._weighed[part]

    def _kg(self, true_kg: float) -> float:
        return round(max(0.0, self._random.gauss(true_kg, SCALE_KG)), 3)

    def _substrate(self, vessel: Vessel) -> dict[str, Any]:
        crops = self._machine.world.site.crops
        named = crops.crops[self._machine.seeder.crop].substrate
        density = crops.substrates[named].density_g_l / 1000 if named else PEAT_KG_L
        measured = self._random.gauss(1.0, MEASURE_SHARE) * vessel.content
        return {"l": round(measured, 3), "kg": self._kg(vessel.content * density)}

    def _water(self, vessel: Vessel) -> dict[str, Any]:
        kg = self._kg(vessel.content * WATER_KG_L / 1000)
        return {"ml": round(kg * 1000 / WATER_KG_L, 1), "kg": kg}

    def _seeds(self, vessel: Vessel) -> dict[str, Any]:
        seeder = self._machine.seeder
        crop = self._machine.world.site.crops.crops[seeder.crop]
        self._drawn += 1
        cells = draw_cells(
            self._machine.world.stream(f"tray/{self._drawn}"), vessel.sown,
            crop.rows * crop.seeds_per_cell, 1, partial(seeder.chances_at, crop=seeder.crop),
        )  # fmt: skip
        counts = [len(cell.seeds_mm) for cell in cells]
        return {
            "seeds": sum(counts),
            "cells": len(counts),
            "empty": counts.count(0),
            "multiple": sum(count > 1 for count in counts),
        }
