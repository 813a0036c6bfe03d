"""What happened, counted from the bodies."""

from __future__ import annotations

from typing import Any

from linectl_sim.bodies import Body
from linectl_sim.machine import Machine


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
