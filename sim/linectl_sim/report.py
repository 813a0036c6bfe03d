"""What happened, counted from the bodies."""

from __future__ import annotations

from collections.abc import Iterator
from functools import partial
from typing import Any

from linectl_sim.bodies import Body
from linectl_sim.machine import Machine
from linectl_sim.singulation import Cell, draw_cells


def gutters(machine: Machine, at_start: int) -> dict[str, int]:
    """Counts as the rehearsal's `gutters`. They hold at every instant:

    in_lanes_at_start + indexed = ejected + in_lanes + removed_from_lanes, and
    seeded = indexed + in_sower_seeded + removed_seeded (rejected and removed after seeding).
    """
    bodies = machine.world.bodies
    sown = [body for body in bodies if not body.from_stock]
    standing = in_sower(machine)
    gone = [body for body in bodies if body.gone in ("reject", "removed", "lost")]
    return {
        "in_lanes_at_start": at_start,
        "wetted": sum(1 for body in sown if body.wetted_at is not None),
        "seeded": sum(1 for body in sown if body.seeded_at is not None),
        "indexed": sum(lane.indexed for lane in machine.lanes.values()),
        "ejected": sum(lane.ejected for lane in machine.lanes.values()),
        "rejected": sum(1 for body in gone if body.gone == "reject"),
        "removed": sum(1 for body in gone if body.gone != "reject"),
        "partial": sum(1 for body in sown if body.partial),
        "in_sower": len(standing),
        "in_sower_seeded": sum(1 for body in standing if body.seeded_at is not None),
        "in_lanes": sum(lane.filled() for lane in machine.lanes.values()),
        "removed_from_lanes": sum(1 for body in gone if body.gone_from.startswith("lane")),
        "removed_seeded": sum(
            1 for body in gone if body.seeded_at is not None and body.indexed_at is None
        ),
        "put_into_lanes": sum(1 for body in bodies if body.put_into.startswith("lane")),
    }


def in_sower(machine: Machine) -> list[Body]:
    """Gutters from the magazine's belt to the infeed carriage."""
    found = [body for stage in machine.sower.stages for body in stage.bodies]
    carried = machine.infeed.carried()
    return found if carried is None else [*found, carried]


def lanes(machine: Machine) -> list[dict[str, int]]:
    """One row a lane."""
    return [
        {
            "lane": number,
            "slots": lane.facts.slots,
            "filled": lane.filled(),
            "indexed": lane.indexed,
            "ejected": lane.ejected,
        }
        for number, lane in machine.lanes.items()
    ]


def packed(machine: Machine) -> list[dict[str, Any]]:
    """What people in the hall took, in order: when (ms), the controller's gutter, crop, kg."""
    return [
        {"at_ms": at, "gutter": body.gutter, "crop": body.crop, "kg": round(body.yield_kg, 4)}
        for at, body in machine.hall.packed
    ]


def totals(machine: Machine) -> dict[str, Any]:
    """Materials let down, and how long each sown gutter stood in its lane, ms."""
    residences = [
        body.ejected_at - body.indexed_at
        for body in machine.world.bodies
        if body.indexed_at is not None and body.ejected_at is not None
    ]
    return {
        "substrate_l": round(machine.filler.outlet.present_total(), 3),
        "water_ml": round(machine.waterer.outlet.present_total(), 1),
        "seeds": int(machine.seeder.outlet.present_total()),
        "residences": residences,
    }


def sown(machine: Machine) -> list[dict[str, Any]]:
    """Where seeds lie on every gutter sown so far, in order; nothing of it is drawn before.

    With one seed a cell a row is a seed: spacing_mm is its distance from the one before in its
    row of the gutter, None for the first. With several a row is a cell, and seeds counts them.
    Both: gutter (the controller's id), crop, row, vacuum_kpa.
    """
    found: list[dict[str, Any]] = []
    for body in machine.world.bodies:
        if not body.sown:
            continue
        crop = machine.world.site.crops.crops[body.crop]
        cells = draw_cells(
            machine.world.stream(f"seeds/{body.number}"), body.sown, crop.rows,
            crop.seeds_per_cell, partial(machine.seeder.chances_at, crop=body.crop),
        )  # fmt: skip
        for row in range(1, crop.rows + 1):
            own = [cell for cell in cells if cell.row == row]
            rows = _spacings(own) if crop.seeds_per_cell == 1 else _counts(own)
            found += [
                {"gutter": body.gutter, "crop": body.crop, "row": row} | each for each in rows
            ]
    return found


def _spacings(cells: list[Cell]) -> Iterator[dict[str, Any]]:
    seeds = sorted((at_mm, cell.vacuum_kpa) for cell in cells for at_mm in cell.seeds_mm)
    before: float | None = None
    for at_mm, vacuum_kpa in seeds:
        spacing = None if before is None else round(at_mm - before, 1)
        yield {"vacuum_kpa": vacuum_kpa, "spacing_mm": spacing, "seeds": None}
        before = at_mm


def _counts(cells: list[Cell]) -> Iterator[dict[str, Any]]:
    for cell in cells:
        yield {"vacuum_kpa": cell.vacuum_kpa, "spacing_mm": None, "seeds": len(cell.seeds_mm)}
