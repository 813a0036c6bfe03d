"""Interlock rows of a site file → `Cause` rows with output bits."""

from __future__ import annotations

from fnmatch import fnmatchcase

from linectl.line.cause_rows import Action, Cause, Hold, Test
from linectl.site.interlocks import Cause as InterlockCause
from linectl.site.interlocks import Condition, Effect
from linectl.site.model import Site
from linectl.site.parts import moving_tags, needs_of


def site_rows(site: Site, io: dict[str, int]) -> tuple[Cause, ...]:
    """One `Cause` for every cause of interlocks.yaml, with what the matrix gives it."""
    moving = moving_tags(site.file)
    zones = {tag: need.zone for tag, need in needs_of(site.file).items()}
    return tuple(_row(site, io, name, moving, zones) for name in site.interlocks.causes)


def _row(
    site: Site, io: dict[str, int], name: str, moving: frozenset[str], zones: dict[str, str]
) -> Cause:
    cause = site.interlocks.causes[name]
    cells = [
        (site.interlocks.effects[cell.effect], cell.kind) for cell in site.interlocks.cells(name)
    ]
    bits = {"acts": 0, "latched": 0, "permissive": 0}
    for effect, kind in cells:
        if cause.moment == "at_once" or kind == "permissive":
            bits[kind] |= _bits(site, effect, moving)
    stopping = [(effect, kind == "latched") for effect, kind in cells if kind != "permissive"]
    return Cause(
        name=name,
        text=cause.text,
        do=cause.do,
        tests=tuple(_test(condition, io) for condition in cause.when),
        vote=cause.vote or 0,
        bad=cause.bad,
        on_delay_ms=cause.on_delay_ms,
        off_delay_ms=cause.off_delay_ms,
        modes=frozenset(cause.modes),
        units=_units(site, cause, [effect for effect, _ in cells], zones),
        moment=cause.moment,
        reset=cause.reset,
        zone=zones.get(cause.when[0].point, ""),
        priority=cause.priority,
        explains=cause.follows,
        acts=bits["acts"],
        latches=bits["latched"],
        bars=bits["permissive"],
        actions=_actions(stopping, cause.moment),
        stations=_stations(stopping, cause.moment),
        bars_units=tuple(e.unit for e, kind in cells if kind == "permissive" and e.unit),
    )


def _test(condition: Condition, io: dict[str, int]) -> Test:
    return Test(
        io[condition.point],
        condition.is_,
        condition.below,
        condition.above,
        condition.hysteresis,
    )


def _units(
    site: Site, cause: InterlockCause, effects: list[Effect], zone_of: dict[str, str]
) -> tuple[str, ...]:
    """The units that a cause concerns: those of its effects' zones, else those of its points';
    both where a zone is shared."""
    file = site.file
    zones = {effect.zone for effect in effects if effect.zone}
    zones |= {file.stations[effect.station].zone for effect in effects if effect.station}
    tags = {tag for effect in effects for tag in effect.outputs}
    zones |= {point.zone for point in site.points if point.tag in tags}
    named = {effect.unit for effect in effects if effect.unit}
    if not effects:
        zones = {zone_of.get(condition.point, "") for condition in cause.when}
    of_zones = [file.zones[zone].unit if zone in file.zones else None for zone in zones]
    if None in of_zones or not (named or zones):
        return ("sowing", "harvest")
    return tuple(sorted({unit for unit in (*named, *of_zones) if unit}))


def _bits(site: Site, effect: Effect, moving: frozenset[str]) -> int:
    """Output bits of an effect: its outputs by pattern, its zone's moving outputs.

    A zone's stop leaves what holds a load by being on: to let go would drop it. What brakes when
    off, a lift, is stopped.
    """
    bits = 0
    for point in site.points:
        if point.direction != "out":
            continue
        named = any(fnmatchcase(point.tag, pattern) for pattern in effect.outputs)
        grips = point.holds_load and point.on_loss != "brakes"
        zoned = effect.zone == point.zone and point.tag in moving and not grips
        if (effect.zone is not None and zoned) or (named and point.tag in moving):
            bits |= 1 << point.index
    return bits


def _actions(effects: list[tuple[Effect, bool]], moment: str) -> tuple[Action, ...]:
    if moment not in ("at_once", "end_of_step"):
        return ()
    return tuple(
        Action(effect.unit, effect.action, latched)
        for effect, latched in effects
        if effect.unit is not None and effect.action is not None
    )


def _stations(effects: list[tuple[Effect, bool]], moment: str) -> tuple[Hold, ...]:
    if moment == "warn":
        return ()
    return tuple(
        Hold(effect.station, latched) for effect, latched in effects if effect.station is not None
    )
