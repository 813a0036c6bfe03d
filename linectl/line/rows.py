"""Interlock rows of a site file → `Cause` rows with output bits."""

from __future__ import annotations

from fnmatch import fnmatchcase

from linectl.line.causes import Cause, Test
from linectl.site.interlocks import Condition, Effect
from linectl.site.model import Site
from linectl.site.parts import moving_tags


def site_rows(site: Site, io: dict[str, int]) -> tuple[Cause, ...]:
    """One `Cause` for every cause of interlocks.yaml, with what the matrix gives it."""
    moving = moving_tags(site.file)
    rows = []
    for name, cause in site.interlocks.causes.items():
        effects = [
            site.interlocks.effects[effect] for effect in site.interlocks.matrix.get(name, ())
        ]
        blocks = 0
        if cause.moment == "at_once":
            for effect in effects:
                blocks |= _bits(site, effect, moving)
        rows.append(
            Cause(
                name=name,
                text=cause.text,
                do=cause.do,
                tests=tuple(_test(condition, io) for condition in cause.when),
                on_delay_ms=cause.on_delay_ms,
                moment=cause.moment,
                latched=cause.reset != "automatic",
                priority=cause.priority,
                blocks=blocks,
                actions=_actions(effects, cause.moment),
                stations=_stations(effects, cause.moment),
            )
        )
    return tuple(rows)


def _test(condition: Condition, io: dict[str, int]) -> Test:
    return Test(io[condition.point], condition.is_, condition.below, condition.above)


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


def _actions(effects: list[Effect], moment: str) -> tuple[tuple[str, str], ...]:
    if moment not in ("at_once", "end_of_step"):
        return ()
    return tuple((e.unit, e.action) for e in effects if e.unit is not None and e.action is not None)


def _stations(effects: list[Effect], moment: str) -> tuple[str, ...]:
    if moment == "warn":
        return ()
    return tuple(effect.station for effect in effects if effect.station is not None)
