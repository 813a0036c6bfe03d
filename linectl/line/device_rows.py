"""Interlock rows that follow from the hardware: silent devices, and supplies lost as one.

They are the same `Cause` rows as a site file's, so that the gate, `why` and every proof treat
them alike; a site file need not repeat them and cannot forget one.
"""

from __future__ import annotations

from collections.abc import Sequence

from linectl.line.cause_rows import Action, Cause, Test
from linectl.site.faults import supply_groups
from linectl.site.hardware import Point
from linectl.site.model import Site
from linectl.site.parts import needs_of
from linectl.site.roles import PERMISSIVES


def device_rows(site: Site) -> tuple[Cause, ...]:
    """One row for every device with inputs: silent means its users hold."""
    rows = []
    for name, device in site.file.devices.items():
        inputs = [p for p in site.points if p.device == name and p.direction == "in"]
        if not inputs:
            continue
        units = _users(site, [p for p in site.points if p.device == name])
        rows.append(
            Cause(
                name=f"silent_{name}",
                text=f"device {name} (unit {device.unit} on bus {device.bus}) is silent",
                do="check its supply, its plug, the bus cable and its unit number; then unhold",
                tests=(Test(inputs[0].index),),
                priority="high",
                units=units,
                actions=tuple(Action(unit, "hold", False) for unit in units),
                silence=True,
            )
        )
    return tuple(rows)


def supply_rows(site: Site, others: Sequence[Cause]) -> tuple[Cause, ...]:
    """One row for every supply group: all its inputs read 0, and they went together.

    A group without two permissive inputs has none: eyes and switches read 0 in good health too.
    `others` are the rows that it may explain: those that read nothing but this group's points.
    """
    rows = []
    for name, points in supply_groups(site.points).items():
        inputs = [point for point in points if point.direction == "in" and point.is_bool]
        if sum(point.tag.rpartition(".")[2] in PERMISSIVES for point in inputs) < 2:
            continue
        indices = {point.index for point in inputs}
        units = _users(site, inputs)
        rows.append(
            Cause(
                name=f"supply_{name}",
                text=f"supply {name} lost: its {len(inputs)} inputs fell within one poll",
                do=f"look at the 24 V of {name}, its fuse and its plug; then interlock reset",
                tests=tuple(Test(point.index, level=point.invert) for point in inputs),
                bad="absent",
                units=units,
                priority="high",
                zone=inputs[0].zone,
                actions=tuple(Action(unit, "hold", False) for unit in units),
                together_ms=_together_ms(site, inputs),
                explains=tuple(
                    row.name for row in others if {test.index for test in row.tests} <= indices
                ),
            )
        )
    return tuple(rows)


def _together_ms(site: Site, inputs: Sequence[Point]) -> int:
    """One poll of the slowest bus, one scan, and the longest delay of a point."""
    file = site.file
    poll = max(file.buses[file.devices[point.device].bus].poll_ms for point in inputs)
    delay = max(max(point.on_delay_ms, point.off_delay_ms) for point in inputs)
    return poll + file.scan_ms + delay


def _users(site: Site, points: Sequence[Point]) -> tuple[str, ...]:
    """The units that use these points: those of their zones, both where a zone is shared."""
    zones = {name: zone.unit for name, zone in site.file.zones.items()}
    needs = needs_of(site.file)
    units: set[str] = set()
    for point in points:
        need = needs.get(point.tag)
        unit = zones.get(need.zone) if need is not None else None
        units |= {unit} if unit else {"sowing", "harvest"}
    return tuple(sorted(units))
