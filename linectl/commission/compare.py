"""Two sites, point by point: what only one has, and what both have but say differently.

Compared is what the files mean, not how they are written: resolved over what they extend, with
defaults filled in, addresses as protocol addresses. A site's name and text are not compared.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Any

from pydantic import BaseModel

from linectl.site.durations import format_duration
from linectl.site.hardware import Point
from linectl.site.iolist import address_both_ways
from linectl.site.model import Site

_IDENTITY = ("name", "text", "extends")
_NOT_COMPARED = frozenset({"index", "line", "tag"})
Change = tuple[str, str]
THERE = "there"
"""What is said of a whole entry that only one of the two has."""


@dataclass(frozen=True)
class Difference:
    """Names that only the first or only the second has; for common ones each differing key."""

    only_first: tuple[str, ...]
    only_second: tuple[str, ...]
    changed: Mapping[str, Mapping[str, Change]]

    @property
    def same(self) -> bool:
        return not (self.only_first or self.only_second or self.changed)

    def as_json(self) -> dict[str, Any]:
        return {
            "only_first": list(self.only_first),
            "only_second": list(self.only_second),
            "changed": {
                name: {key: list(pair) for key, pair in changes.items()}
                for name, changes in self.changed.items()
            },
        }


@dataclass(frozen=True)
class Comparison:
    """Two sites. `renamed`: points of one that lie where a point of the other lies."""

    points: Difference
    devices: Difference
    buses: Difference
    rest: Difference
    """Everything else, by file or section: zones, stations, lanes, interlocks, crops …"""
    renamed: tuple[tuple[str, str], ...]

    @property
    def same(self) -> bool:
        parts = (self.points, self.devices, self.buses, self.rest)
        return all(part.same for part in parts)

    def as_json(self) -> dict[str, Any]:
        return {
            "same": self.same,
            "points": self.points.as_json(),
            "devices": self.devices.as_json(),
            "buses": self.buses.as_json(),
            "rest": self.rest.as_json(),
            "renamed": [list(pair) for pair in self.renamed],
        }


def compare(first: Site, second: Site) -> Comparison:
    """What differs between two checked sites."""
    points = _difference(_points(first), _points(second))
    where = [{_place(p): p.tag for p in site.points} for site in (first, second)]
    renamed = tuple(
        (tag, other)
        for place, tag in where[0].items()
        if (other := where[1].get(place)) is not None
        and tag in points.only_first
        and other in points.only_second
    )
    return Comparison(
        points=points,
        devices=_difference(_each(first.file.devices), _each(second.file.devices)),
        buses=_difference(_each(first.file.buses), _each(second.file.buses)),
        rest=_difference(_rest(first), _rest(second)),
        renamed=renamed,
    )


def _difference(
    first: Mapping[str, Mapping[str, str]], second: Mapping[str, Mapping[str, str]]
) -> Difference:
    changed = {}
    for name in (name for name in first if name in second):
        one, other = _folded(first[name], second[name]), _folded(second[name], first[name])
        keys = [*one, *(key for key in other if key not in one)]
        found = {
            key: (one.get(key, ""), other.get(key, ""))
            for key in keys
            if one.get(key, "") != other.get(key, "")
        }
        if found:
            changed[name] = found
    return Difference(
        tuple(name for name in first if name not in second),
        tuple(name for name in second if name not in first),
        changed,
    )


def _folded(mine: Mapping[str, str], others: Mapping[str, str]) -> dict[str, str]:
    """`mine` with each entry of a list that the other has not as one key, such as `runs[germ]`."""
    made: dict[str, str] = {}
    for key, text in mine.items():
        heads = [key[: at + 1] for at, letter in enumerate(key) if letter == "]"]
        lone = (head for head in heads if not any(other.startswith(head) for other in others))
        head = next(lone, None)
        if head is None:
            made[key] = text
        else:
            made[head] = THERE
    return made


def _points(site: Site) -> dict[str, dict[str, str]]:
    return {point.tag: _cells(point) for point in site.points}


def _cells(point: Point) -> dict[str, str]:
    """A point's cells; table, address and bit as one, shown both ways."""
    cells = dict(_leaves(point))
    for key in (*_NOT_COMPARED, "table", "address", "bit"):
        cells.pop(key, None)
    return {"address": address_both_ways(point), **cells}


def _place(point: Point) -> tuple[object, ...]:
    return point.device, point.table, point.address, point.bit


def _each(parts: Mapping[str, BaseModel]) -> dict[str, dict[str, str]]:
    return {name: dict(_leaves(part)) for name, part in parts.items()}


def _rest(site: Site) -> dict[str, dict[str, str]]:
    """By section: all that is neither a point, a device nor a bus, as keys with texts."""
    file = site.file
    sections: dict[str, dict[str, str]] = {"site": {}}
    for name, field in type(file).model_fields.items():
        if name in ("buses", "devices", *_IDENTITY):
            continue
        key, value = field.alias or name, getattr(file, name)
        if isinstance(value, str | int | float):
            sections["site"][key] = _text(name, value)
        else:
            sections[key] = dict(_leaves(value))
    sections["interlocks"] = dict(_leaves(site.interlocks))
    sections["crops"] = dict(_leaves(site.crops))
    sections["calibration"] = dict(_leaves(site.calibration))
    return sections


def _leaves(value: object, path: str = "", name: str = "") -> Iterator[tuple[str, str]]:
    """Every value under `value` with its path, named as the files name it."""
    if isinstance(value, BaseModel):
        for field_name, field in type(value).model_fields.items():
            key = field.alias or field_name
            below = getattr(value, field_name)
            yield from _leaves(below, f"{path}.{key}" if path else key, field_name)
    elif isinstance(value, Mapping):
        for key, below in value.items():
            yield from _leaves(below, f"{path}.{key}" if path else str(key), name)
    elif isinstance(value, list | tuple):
        if any(isinstance(item, BaseModel) for item in value):
            for place, item in enumerate(value):
                label = getattr(item, "id", None) or getattr(item, "name", None) or place
                yield from _leaves(item, f"{path}[{label}]", name)
        else:
            yield path, ", ".join(_text(name, item) for item in value)
    else:
        yield path, _text(name, value)


def _text(name: str, value: object) -> str:
    """A value as a person writes it; `name` is its field's, whose end tells the unit."""
    if value is None:
        return ""
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, int) and name.endswith("_ms"):
        return format_duration(value)
    if isinstance(value, float):
        return f"{value:g}"
    return str(value)
