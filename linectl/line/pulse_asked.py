"""A pulse as a person asks for it: which outputs, to which values, for how long; or why not.

pulse TAG LENGTH [VALUE] [OTHER=VALUE …] [lead=TIME]

pulse fill.run 2s                               an output on, or off if it stands on
pulse fill.doser 20s fill.doser_rate=250        with a set-point of the same part
pulse lane1.lift.up 2s lane1.lift.brake=1       with an output that goes with it
pulse fill.doser_rate 30s 250                   a set-point alone, in the unit of io.csv
pulse seed.drum 30s seed.pump=1 lead=5s         what goes with it is on 5 s before it
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

from linectl.image import Value
from linectl.line.pulse_limits import GIVES, OPPOSED, companions, pulse_most_ms
from linectl.site.complaints import nearest
from linectl.site.durations import format_duration, parse_duration
from linectl.site.hardware import Point
from linectl.site.model import Site
from linectl.site.register_range import register_range

FORM = "pulse TAG LENGTH [VALUE] [OTHER=VALUE …] [lead=TIME], for example: pulse fill.run 2s"
LEAD = "lead="
LEAD_MS_MAX = 30_000
"""Longest lead: until a drum's vacuum stands (common practice, no source)."""
OTHERS_MAX = 7
"""Outputs that go with one: more than any part has."""
ON = frozenset(("1", "on", "true"))
OFF = frozenset(("0", "off", "false"))


@dataclass(frozen=True)
class Asked:
    """What is asked: values by tag, that of the pulse itself first; length and lead in ms."""

    tag: str
    values: Mapping[str, Value]
    length_ms: int
    lead_ms: int


def asked(site: Site, argument: str, standing: int) -> Asked | str:
    """The pulse in words, or what is wrong with it. standing: bits of the outputs that are on."""
    words = argument.split()
    if len(words) < 2:
        return FORM
    points = {point.tag: point for point in site.points}
    tag = words[0]
    if wrong := _no_output(points, tag):
        return wrong
    leads = [word.removeprefix(LEAD) for word in words[2:] if word.startswith(LEAD)]
    rest = [word for word in words[2:] if not word.startswith(LEAD)]
    values = _values(points, tag, rest, standing)
    if isinstance(values, str):
        return values
    length_ms = _length(site, words[1], values)
    if isinstance(length_ms, str):
        return length_ms
    if wrong := against_together(site, values):
        return wrong
    lead_ms = _lead(leads, values)
    if isinstance(lead_ms, str):
        return lead_ms
    before = {name: value for name, value in values.items() if name != tag}
    if lead_ms and (wrong := against_together(site, before)):
        return f"{wrong}: there is no lead"
    return Asked(tag, values, length_ms, lead_ms)


def _lead(words: list[str], values: Mapping[str, Value]) -> int | str:
    if not words:
        return 0
    try:
        lead_ms = parse_duration(words[0])
    except ValueError as error:
        return str(error)
    if len(words) > 1 or len(values) < 2 or lead_ms > LEAD_MS_MAX:
        span = format_duration(LEAD_MS_MAX)
        return f"a lead is said once, for what goes with an output, and lasts {span} at most"
    return lead_ms


def value_of(point: Point, word: str) -> Value | str:
    """What a word means at that point, in its unit; or why it means nothing there."""
    if point.is_bool:
        if word.lower() in ON | OFF:
            return word.lower() in ON
        return f"{word!r} is no value of {point.tag}: 1 or 0, as why shows it"
    try:
        number = float(word)
    except ValueError:
        number = math.nan
    if not math.isfinite(number):
        return f"{word!r} is no value of {point.tag}: a number in {point.unit or 'its unit'}"
    limits = register_range(point)
    if point.direction == "out" and not limits.least <= number <= limits.most:
        span = f"from {limits.least:g} to {limits.most:g} {point.unit}".rstrip()
        return f"{word} cannot be written to {point.tag}: it takes {span}"
    return number


def against_together(site: Site, values: Mapping[str, Value]) -> str | None:
    """Which outputs must not be on together, or not without another; None if all is well."""
    on = [tag for tag, value in values.items() if value is True]
    for tag in on:
        part, _, role = tag.rpartition(".")
        for one, other in OPPOSED:
            if role == one and f"{part}.{other}" in on:
                return f"{tag} and {part}.{other} drive the same motion, each its own way"
        if role == "run" and f"{part}.target" in site.tags and f"{part}.target" not in values:
            return f"{tag} travels to {part}.target: say where to, with {part}.target=POSITION"
        wanted = companions(site, tag)
        if wanted and not any(other in on for other in wanted):
            told = " or ".join(f"{other}=1" for other in wanted)
            return f"{tag} goes only together with {told}"
    return None


def _no_output(points: Mapping[str, Point], tag: str) -> str | None:
    if tag not in points:
        near = nearest(tag, [name for name, point in points.items() if point.direction == "out"])
        return f"no tag {tag!r}" + (f"; {near}" if near else "")
    if points[tag].direction == "in":
        return f"{tag} is an input: only outputs are pulsed"
    return None


def _values(
    points: Mapping[str, Point], tag: str, words: list[str], standing: int
) -> dict[str, Value] | str:
    """The values by tag; a bool without one turns over."""
    own = words.pop(0) if words and "=" not in words[0] else ""
    if not own and not points[tag].is_bool:
        return f"{tag} is a number: say its value, for example: pulse {tag} 30s 250"
    named = [(tag, own or str(int(not standing >> points[tag].index & 1)))]
    for word in words:
        other, equals, said = word.partition("=")
        if not equals:
            return f"{word!r}: {FORM}"
        if wrong := _no_output(points, other):
            return wrong
        if other.rpartition(".")[0] != tag.rpartition(".")[0]:
            return f"{other} is of another part than {tag}: only outputs of one part go together"
        named.append((other, said))
    if len(named) > 1 + OTHERS_MAX or len({name for name, _ in named}) < len(named):
        return f"name each output once, and {OTHERS_MAX} at most beside {tag}"
    values: dict[str, Value] = {}
    for name, said in named:
        value = value_of(points[name], said)
        if isinstance(value, str):
            return value
        values[name] = value
    return values


def _length(site: Site, word: str, values: Mapping[str, Value]) -> int | str:
    """No longer than the shortest-lived of what is set in motion; of set-points alone, theirs. The
    belt beneath a tool that gives material runs as long as the tool may."""
    try:
        length_ms = parse_duration(word)
    except ValueError as error:
        return str(error)
    moving = [tag for tag, value in values.items() if isinstance(value, bool)]
    if any(tag.rpartition(".")[2] in GIVES for tag in moving):
        moving = [tag for tag in moving if not tag.endswith(".run")]
    most_ms, tag = min((pulse_most_ms(site, tag), tag) for tag in moving or values)
    if not 0 < length_ms <= most_ms:
        return f"{word}: a pulse of {tag} lasts {format_duration(most_ms)} at most, by its role"
    return length_ms
