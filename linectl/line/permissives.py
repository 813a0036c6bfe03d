"""Interlock rows that follow from the machine's shape: what must not collide.

They are the same `Cause` rows as a site file's, so that the gate, `why` and every proof treat
them alike; a site file need not repeat them for each lane and cannot forget one.
"""

from __future__ import annotations

from collections.abc import Iterator

from linectl.line.cause_rows import Cause, Test
from linectl.site.machine import Carriage, Lane
from linectl.site.model import Site

NEAR_MM = 400
"""A carriage closer than this to a lane stands at that lane."""


def structural_rows(site: Site, io: dict[str, int]) -> tuple[Cause, ...]:
    """Permissives between carriages, lanes, lifts, turntables, press and belts."""
    rows: list[Cause] = []
    for kind in ("infeed", "outfeed"):
        rows += _carriage_rows(site, io, kind)
    for lane in site.file.lanes:
        rows += _run_rows(io, lane)
        rows += _joint_rows(io, lane)
    rows += _table_rows(site, io)
    rows += _press_rows(site, io)
    return tuple(rows)


def _row(name: str, text: str, tests: tuple[Test, ...], *outputs: int) -> Cause:
    blocks = 0
    for index in outputs:
        blocks |= 1 << index
    return Cause(
        name, text, "it clears by itself when the machine has moved on", tests, acts=blocks
    )


def _not(io: dict[str, int], tag: str) -> Test:
    return Test(io[tag], level=False)


def _is(io: dict[str, int], tag: str) -> Test:
    return Test(io[tag], level=True)


def _near(io: dict[str, int], carriage: str, position_mm: int) -> Test:
    return Test(io[f"{carriage}.position"], low=position_mm + NEAR_MM, high=position_mm - NEAR_MM)


def _carriage_rows(site: Site, io: dict[str, int], kind: str) -> Iterator[Cause]:
    name = site.station(kind)
    yield _row(
        f"{name}_travel_gripper",
        f"{name} may not travel: its gripper is not proven home",
        (_not(io, f"{name}.gripper_home"),),
        io[f"{name}.run"],
    )
    yield _row(
        f"{name}_reach_running",
        f"{name} may not reach out: its travel drive turns",
        (_is(io, f"{name}.running"),),
        io[f"{name}.extend"],
    )
    for lane in site.file.lanes:
        at_mm = lane.infeed_mm if kind == "infeed" else lane.outfeed_mm
        run = lane.runs[0] if kind == "infeed" else lane.runs[-1]
        stem = f"{lane.prefix}.{run.name}"
        yield _row(
            f"{name}_reach_{lane.prefix}",
            f"{name} may not reach into {lane.prefix}: the row's stroke is not home",
            (_near(io, name, at_mm), _not(io, f"{stem}.home")),
            io[f"{name}.extend"],
        )
        yield _row(
            f"{stem}_stroke_{name}",
            f"{stem} may not stroke: {name} stands there with its gripper out",
            (_near(io, name, at_mm), _not(io, f"{name}.gripper_home")),
            io[f"{stem}.stroke"],
        )


def _run_rows(io: dict[str, int], lane: Lane) -> Iterator[Cause]:
    for number, run in enumerate(lane.runs):
        stem = f"{lane.prefix}.{run.name}"
        yield _row(
            f"{stem}_last_slot",
            f"{stem} may not stroke: a gutter stands in its last slot",
            (_is(io, f"{stem}.home"), _is(io, f"{stem}.last_eye")),
            io[f"{stem}.stroke"],
        )
        for beside in (number - 1, number):
            if not 0 <= beside < len(lane.transfers):
                continue
            transfer = lane.transfers[beside]
            joint = f"{lane.prefix}.{transfer.name}"
            role = "joint_clear"
            if transfer.kind != "level":
                low = (transfer.kind == "lift_up") is (beside == number)
                role = "low_clear" if low else "high_clear"
            yield _row(
                f"{stem}_stroke_{transfer.name}",
                f"{stem} may not stroke: something lies across the joint to {joint}",
                (_not(io, f"{joint}.{role}"),),
                io[f"{stem}.stroke"],
            )


def _joint_rows(io: dict[str, int], lane: Lane) -> Iterator[Cause]:
    for number, transfer in enumerate(lane.transfers):
        joint = f"{lane.prefix}.{transfer.name}"
        for run in lane.runs[number : number + 2]:
            stem = f"{lane.prefix}.{run.name}"
            yield _row(
                f"{joint}_belt_{run.name}",
                f"{joint} may not take across: the stroke of {stem} is not home",
                (_not(io, f"{stem}.home"),),
                io[f"{joint}.belt"],
            )
        if transfer.kind == "level":
            continue
        for role in ("low_clear", "high_clear"):
            yield _row(
                f"{joint}_travel_{role}",
                f"{joint} may not move: something lies across a joint ({role})",
                (_not(io, f"{joint}.{role}"),),
                io[f"{joint}.up"],
                io[f"{joint}.down"],
            )
        yield _row(
            f"{joint}_overtravel",
            f"{joint} may not move: overtravel switch tripped",
            (_not(io, f"{joint}.overtravel_ok"),),
            io[f"{joint}.up"],
            io[f"{joint}.down"],
            io[f"{joint}.brake"],
        )
        yield _row(
            f"{joint}_belt_level",
            f"{joint} belt may not run: the lift is at neither level",
            (_not(io, f"{joint}.at_up"), _not(io, f"{joint}.at_down")),
            io[f"{joint}.belt"],
        )


def _table_rows(site: Site, io: dict[str, int]) -> Iterator[Cause]:
    for kind, carriage_kind in (("turn", "infeed"), ("turnout", "outfeed")):
        table, carriage = site.station(kind), site.station(carriage_kind)
        facts = site.file.stations[carriage]
        assert isinstance(facts, Carriage)
        yield _row(
            f"{table}_turn_gripper",
            f"{table} may not turn: {carriage} reaches over it",
            (_near(io, carriage, facts.home_mm), _not(io, f"{carriage}.gripper_home")),
            io[f"{table}.to_0"],
            io[f"{table}.to_90"],
        )
        yield _row(
            f"{table}_turn_belt",
            f"{table} may not turn: its belt runs",
            (_is(io, f"{table}.running"),),
            io[f"{table}.to_0"],
            io[f"{table}.to_90"],
        )
        yield _row(
            f"{table}_belt_angle",
            f"{table} belt may not run: the table is not at 0°",
            (_not(io, f"{table}.at_0"),),
            io[f"{table}.run"],
        )


def _press_rows(site: Site, io: dict[str, int]) -> Iterator[Cause]:
    tamp = site.station("tamp")
    yield _row(
        f"{tamp}_press_belt",
        f"{tamp} may not press: its belt runs",
        (_is(io, f"{tamp}.running"),),
        io[f"{tamp}.press"],
    )
    yield _row(
        f"{tamp}_belt_press",
        f"{tamp} belt may not run: the press is not up",
        (_not(io, f"{tamp}.press_up"),),
        io[f"{tamp}.run"],
    )
