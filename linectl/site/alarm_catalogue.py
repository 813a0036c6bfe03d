"""Every alarm that a site can raise, with its help: consequence, where to look, what to do.

Texts come from the site's files: those of a cause stand with the cause, those of what the line
raises by itself under `alarms:`. Where to look is taken from the IO list, so that it is written
once and is true after a channel has moved.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass

from linectl.site.alarm_help import AlarmHelp
from linectl.site.alarm_kinds import Raised, raised_by
from linectl.site.faults import supply_groups
from linectl.site.hardware import Point
from linectl.site.iolist import address_both_ways
from linectl.site.machine import Lane, Station, UnitName
from linectl.site.model import Site

UNITS: tuple[UnitName, ...] = ("sowing", "harvest")
VITAL_ROLES = ("estop_ok", "closed")
"""Emergency stops and guards: their alarms are never put aside."""
SUPPLY_POINTS_SHOWN = 2
"""A supply's alarm names its first and last terminal, not each of its card's."""


@dataclass(frozen=True)
class Help:
    """What a person is told of one alarm beside what happened."""

    priority: str
    consequence: str
    do: str
    look: str = ""
    """Where to look, in words."""
    points: tuple[int, ...] = ()
    """Points to look at, by index."""
    vital: bool = False
    """Never shelved, never out of service: people rely on it."""


def catalogue(site: Site) -> dict[str, Help]:
    """Every alarm of the site by tag; those without help in the files have empty texts."""
    file = site.file
    tags = site.tags
    found: dict[str, Help] = {}
    for name, cause in site.interlocks.causes.items():
        found[name] = Help(
            cause.priority,
            cause.consequence,
            cause.do,
            points=tuple(tags[test.point] for test in cause.when if test.point in tags),
            vital=any(test.point.rpartition(".")[2] in VITAL_ROLES for test in cause.when),
        )
    raised = raised_by(file.stations, file.lanes, UNITS, file.devices, supply_groups(site.points))
    for tag, one in raised.items():
        said = help_for(site.interlocks.alarms, tag, one)
        points = tuple(tags[name] for name in points_of(one, file.stations, file.lanes, tags))
        if one.kind.name == "supply":
            group = [point.index for point in supply_groups(site.points)[one.part]]
            points = tuple(dict.fromkeys((group[0], group[-1])))[:SUPPLY_POINTS_SHOWN]
        texts = said.of(one.part) if said else AlarmHelp(priority="high", consequence="", do="")
        found[tag] = Help(
            texts.priority, texts.consequence, texts.do, texts.look, points, one.kind.vital
        )
    return found


def help_for(alarms: Mapping[str, AlarmHelp], tag: str, raised: Raised) -> AlarmHelp | None:
    """What the files say of one alarm: by its tag, else by its kind; None if nothing."""
    return alarms.get(tag) or alarms.get(raised.kind.name)


def points_of(
    raised: Raised, stations: Mapping[str, Station], lanes: Iterable[Lane], tags: Iterable[str]
) -> list[str]:
    """Tags of the points that show this alarm, in the order of its kind's roles."""
    have = set(tags)
    wanted = []
    prefixes = {raised.part}
    for lane in lanes:
        if lane.prefix == raised.part:
            prefixes |= {f"{lane.prefix}.{run.name}" for run in lane.runs}
            prefixes |= {f"{lane.prefix}.{transfer.name}" for transfer in lane.transfers}
    for role in raised.kind.roles:
        kind, _, name = role.rpartition(".")
        parts = sorted(prefixes) if not kind else _of_kind(stations, kind)
        wanted += [f"{part}.{name}" for part in parts if f"{part}.{name}" in have]
    return wanted


def _of_kind(stations: Mapping[str, Station], kind: str) -> list[str]:
    return [name for name, station in stations.items() if station.kind == kind]


def where(point: Point) -> str:
    """A point as somebody finds it: tag, terminal, device, address both ways."""
    terminal = f" at {point.note}" if point.note else ""
    return f"{point.tag}{terminal}: {point.device}, {address_both_ways(point)}"


def look_at(site: Site, help_: Help) -> list[str]:
    """Where to look: the help's own words, then each point."""
    words = [help_.look] if help_.look else []
    return words + [where(site.points[index]) for index in help_.points]
