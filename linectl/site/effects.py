"""What an effect of the matrix comes to: the outputs it switches off, the units it concerns.

The line's rows are built in `linectl.line.rows`; a test holds the two against each other.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping

from linectl.site.hardware import Point
from linectl.site.interlocks import Effect
from linectl.site.model import Zone
from linectl.site.parts import Need
from linectl.site.patterns import matching


def holds_on(point: Point) -> bool:
    """True for an output that holds a load by being on, as a gripper does: to let go would drop
    it. What brakes when off is stopped like anything else that moves."""
    return point.holds_load and point.on_loss != "brakes"


def stopped_outputs(points: Iterable[Point], needs: Mapping[str, Need]) -> tuple[Point, ...]:
    """The outputs that set something in motion and that every stop of their zone switches off."""
    return tuple(
        point
        for point in points
        if point.tag in needs and needs[point.tag].role.moves and not holds_on(point)
    )


def effect_outputs(
    effect: Effect, points: Iterable[Point], needs: Mapping[str, Need]
) -> tuple[str, ...]:
    """Tags of the moving outputs that an effect switches off, in the order of the IO list.

    A zone leaves what holds a load by being on; an output that is named goes off all the same.
    """
    moving = [p for p in points if p.tag in needs and needs[p.tag].role.moves]
    named = {
        tag for pattern in effect.outputs for tag in matching(pattern, (p.tag for p in moving))
    }
    return tuple(
        point.tag
        for point in moving
        if point.tag in named
        or (effect.zone is not None and point.zone == effect.zone and not holds_on(point))
    )


def stops_of(zone: str, zones: Mapping[str, Zone]) -> tuple[str, ...]:
    """The zones whose emergency stops act on `zone`: those it names, else all."""
    named = zones[zone].estops
    return tuple(zones) if named is None else named


def reach(
    effects: Mapping[str, Effect], points: Iterable[Point], needs: Mapping[str, Need]
) -> dict[str, tuple[str, ...]]:
    """Each effect's moving outputs, by its name."""
    listed = tuple(points)
    return {name: effect_outputs(effect, listed, needs) for name, effect in effects.items()}


def units_stopped(
    effects: Mapping[str, Effect],
    reached: Mapping[str, Iterable[str]],
    needs: Mapping[str, Need],
    zones: Mapping[str, Zone],
) -> dict[str, str]:
    """Units whose machinery these effects switch off: unit → the first such output.

    Single outputs of a shared zone stop one lane, and the units go on with the others; a shared
    zone that is switched off whole stops both.
    """
    found: dict[str, str] = {}
    for name, effect in effects.items():
        for tag in reached[name]:
            zone = zones.get(needs[tag].zone)
            if zone is None:
                continue
            shared = ("sowing", "harvest") if effect.zone else ()
            for unit in (zone.unit,) if zone.unit else shared:
                found.setdefault(unit, tag)
    return found
