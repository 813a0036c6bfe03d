"""Which courses a proof runs for each cause, from the promises and one reference run."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

from linectl.commission.prove.courses import Course
from linectl.commission.prove.moments import Moment, Reference, moments
from linectl.commission.prove.promised import Promise
from linectl.commission.prove.reactions import Limits
from linectl.site.model import Site

MODES = ("production", "dry_cycle")
"""Modes that the line can run in; the others need hard-wired devices and are refused so far."""
AT_WORK_MS = 60_000
"""A run that need only reach both units at work."""


@dataclass(frozen=True)
class Plan:
    """What is to be done: the courses by cause, and what cannot be seen."""

    promises: Mapping[str, Promise]
    courses: Mapping[str, tuple[Course, ...]]
    unseen: Mapping[str, frozenset[int]]
    """cause → outputs of its cells that were never on for long enough."""

    def only(self, chosen: Sequence[Promise]) -> Plan:
        """The plan for these causes only."""
        names = {promise.name for promise in chosen}
        courses = {name: found for name, found in self.courses.items() if name in names}
        return Plan(self.promises, courses, self.unseen)

    @property
    def all_courses(self) -> list[Course]:
        """Every course, in the order of the causes."""
        return [course for courses in self.courses.values() for course in courses]


def plan_of(site: Site, seed: int, chosen: Sequence[Promise], limits: Limits) -> Plan:
    """The plan for these causes."""
    references: dict[str, Reference] = {}
    courses: dict[str, tuple[Course, ...]] = {}
    unseen: dict[str, frozenset[int]] = {}
    for promise in chosen:
        mode = _mode(promise)
        if mode is None:
            courses[promise.name], unseen[promise.name] = (), promise.watched
            continue
        if mode not in references:
            references[mode] = Reference(site, seed, mode)
        at, unseen[promise.name] = moments(references[mode], promise, limits, seed)
        found = [replace(course, mode=mode) for course in _courses(site, promise, at)]
        for other in _other_mode(promise):
            short = Reference(site, seed, other, AT_WORK_MS)
            late, _ = moments(short, promise, limits, seed)
            found.append(Course("mode", promise.name, late[0], mode=other))
        courses[promise.name] = tuple(found)
    return Plan({promise.name: promise for promise in chosen}, courses, unseen)


def _mode(promise: Promise) -> str | None:
    """A mode that the line can run in and the cause is enabled in; None if there is none."""
    return next((mode for mode in MODES if not promise.modes or mode in promise.modes), None)


def _other_mode(promise: Promise) -> list[str]:
    """Modes that the line can run in and the cause is not enabled in."""
    return [mode for mode in MODES if promise.modes and mode not in promise.modes]


def _courses(site: Site, promise: Promise, at: Sequence[Moment]) -> list[Course]:
    name, first = promise.name, at[0]
    kind = "gutter" if any(cell.station for cell in promise.cells) else "whole"
    found = [Course("permissive" if promise.only_permits else kind, name, first)]
    found += [Course("trip", name, moment) for moment in at[1:]]
    if promise.origin in ("written", "structure"):
        devices = dict.fromkeys(site.points[wanted.index].device for wanted in promise.wanted)
        found += [Course("quality", name, first, device=device) for device in devices]
    if promise.origin == "written":
        if any(wanted.level is None for wanted in promise.wanted):
            found.append(Course("inside", name, first))
        if promise.on_delay_ms:
            found.append(Course("short", name, first))
        if promise.needed > 1:
            found.append(Course("fewer", name, first))
    return found
