"""What a site's interlocks do, one readable text a row: what a person approves.

Only behaviour counts: comparisons and where their points are wired, votes, delays, modes, moments,
resets, cells and the outputs they come to, stops of zones. Texts for people are left out, so that
a better sentence needs no new approval. The parts of a row are joined by `; `.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping

from linectl.site.durations import format_duration
from linectl.site.effects import effect_outputs, stops_of
from linectl.site.faults import supply_groups
from linectl.site.hardware import Device, Point
from linectl.site.interlocks import Cause, Condition, Effect
from linectl.site.iolist import address_both_ways
from linectl.site.model import Site
from linectl.site.parts import moving_tags, needs_of

Rows = Mapping[str, Mapping[str, str]]
"""section → row → text. Sections: causes, effects, zones, outputs, devices, supplies."""
MOMENTS = {
    "at_once": "at once",
    "end_of_step": "at the end of the step",
    "before_next_gutter": "before the next gutter",
    "warn": "only warns",
}
RESETS = {
    "automatic": "ends by itself",
    "interlock": "until interlock reset",
    "at_machine": "until interlock reset at the machine",
}


def matrix_rows(site: Site) -> Rows:
    """Every row of a site, section by section, in the order of its files."""
    needs, points = needs_of(site.file), {point.tag: point for point in site.points}
    moving = moving_tags(site.file)
    locks = site.interlocks
    return {
        "causes": {name: _cause(site, name, cause, points) for name, cause in locks.causes.items()},
        "effects": {
            name: _joined(_effect(effect, effect_outputs(effect, site.points, needs)))
            for name, effect in locks.effects.items()
        },
        "zones": {name: _joined(_zone(site, name)) for name in site.file.zones},
        "outputs": {p.tag: _joined(_output(p)) for p in site.points if p.tag in moving},
        "devices": {
            name: _joined(_device(site, device)) for name, device in site.file.devices.items()
        },
        "supplies": {
            name: _joined(point.tag for point in members)
            for name, members in supply_groups(site.points).items()
        },
    }


def comparison(condition: Condition, unit: str = "") -> str:
    """A comparison in words: `fill.hopper_level below 20 l, ends 5 l beyond`."""
    words = [condition.point]
    if condition.is_ is not None:
        words.append(f"is {str(condition.is_).lower()}")
    shown = f" {unit}" if unit else ""
    limits = (("below", condition.below), ("above", condition.above))
    said = [f"{word} {limit:g}{shown}" for word, limit in limits if limit is not None]
    words += [" and ".join(said)] if said else []
    if condition.hysteresis:
        words[-1] += ","
        words.append(f"ends {condition.hysteresis:g}{shown} beyond")
    return " ".join(words)


def wiring(point: Point) -> str:
    """Where a point is wired and what is done to it before a cause compares it."""
    words = [f"{point.device} {address_both_ways(point)}"]
    if not point.is_bool:
        words.append(point.type)
        if point.words == 2:
            words.append(f"high word {'first' if point.word_order == 'big' else 'last'}")
        if point.byte_order != "big":
            words.append("bytes swapped")
        words.append(f"× {point.scale:g} + {point.offset:g} {point.unit}".rstrip())
    if point.invert:
        words.append("inverted")
    delays = (("on", point.on_delay_ms), ("off", point.off_delay_ms))
    words += [f"{word} after {format_duration(ms)}" for word, ms in delays if ms]
    if point.poll:
        words.append(f"polled as {point.poll}")
    return ", ".join(words)


def _joined(parts: Iterable[str]) -> str:
    return "; ".join(part for part in parts if part)


def _cause(site: Site, name: str, cause: Cause, points: Mapping[str, Point]) -> str:
    count, needed = len(cause.when), cause.vote or len(cause.when)
    parts = [f"when {comparison(test, points[test.point].unit)}" for test in cause.when]
    parts += dict.fromkeys(f"{t.point} at {wiring(points[t.point])}" for t in cause.when)
    if count > 1:
        parts.append(f"{needed} of {count} must hold")
    parts.append(
        "a bad reading counts as present" if cause.bad == "present" else "bad ones are left out"
    )
    for word, ms in (("comes", cause.on_delay_ms), ("ends", cause.off_delay_ms)):
        if ms:
            parts.append(f"{word} after {format_duration(ms)}")
    parts.append(f"in {', '.join(cause.modes)}" if cause.modes else "in every mode")
    parts += [MOMENTS[cause.moment], RESETS[cause.reset]]
    bypass = cause.bypass
    limit = f"for {format_duration(bypass.limit_ms)} at most" if bypass else ""
    parts.append(f"may be bypassed {limit}" if bypass else "never bypassed")
    parts += [f"{cell.effect} {cell.kind}" for cell in site.interlocks.cells(name)]
    return _joined(parts)


def _effect(effect: Effect, outputs: Iterable[str]) -> Iterable[str]:
    if effect.unit:
        yield f"unit {effect.unit}: {effect.action or 'may not start'}"
    elif effect.station:
        yield f"station {effect.station} begins no other gutter"
        yield f"then {effect.action}" if effect.action else ""
    else:
        yield f"everything that moves in zone {effect.zone} off" if effect.zone else "outputs off"
        yield from outputs


def _zone(site: Site, name: str) -> Iterable[str]:
    zone = site.file.zones[name]
    yield f"of {zone.unit}" if zone.unit else "shared by both units"
    yield from (f"guard {guard}" for guard in zone.guards)
    yield from (f"emergency stop of {stop}" for stop in stops_of(name, site.file.zones))
    yield f"outputs off within {format_duration(zone.reaction_limit_ms)}"
    yield f"watchdogs within {format_duration(zone.watchdog_limit_ms)}"
    enabling = [point for point in site.points if point.tag == f"{name}.enabling"]
    yield from (f"enabling device at {wiring(point)}" for point in enabling)


def _output(point: Point) -> Iterable[str]:
    yield wiring(point)
    yield f"zone {point.zone}"
    yield f"safe {point.safe:g}"
    yield f"{point.on_loss} when lost" if point.on_loss else ""
    yield "holds a load" if point.holds_load else ""
    yield f"cut by {point.cut_by}"
    watchdog = point.device_watchdog_ms
    yield f"watchdog {format_duration(watchdog)}" if watchdog else ""


def _device(site: Site, device: Device) -> Iterable[str]:
    yield f"unit {device.unit} on bus {device.bus}"
    yield f"polled every {format_duration(site.file.buses[device.bus].poll_ms)}"
    yield f"silent after {format_duration(device.silent_after_ms)}"
    yield f"watchdog {format_duration(device.watchdog_ms)}" if device.watchdog_ms else ""
