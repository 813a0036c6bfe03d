"""Which courses a proof runs for each cause, from the promises and one reference run."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from linectl.commission.prove.courses import Course
from linectl.commission.prove.moments import Moment, Reference, moments
from linectl.commission.prove.promised import Promise
from linectl.commission.prove.reactions import Limits
from linectl.site.model import Site

DRY = "dry_cycle"


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
    reference = Reference(site, seed)
    courses: dict[str, tuple[Course, ...]] = {}
    unseen: dict[str, frozenset[int]] = {}
    for promise in chosen:
        at, unseen[promise.name] = moments(reference, promise, limits, seed)
        courses[promise.name] = tuple(_courses(site, promise, at))
    return Plan({promise.name: promise for promise in chosen}, courses, unseen)


def _courses(site: Site, promise: Promise, at: Sequence[Moment]) -> list[Course]:
    name, first = promise.name, at[0]
    has_station = any(cell.station for cell in promise.cells)
    found = [Course("gutter" if has_station else "whole", name, first)]
    found += [Course("trip", name, moment) for moment in at[1:]]
    if promise.origin in ("written", "structure"):
        devices = dict.fromkeys(site.points[wanted.index].device for wanted in promise.wanted)
        found += [Course("quality", name, first, device=device) for device in devices]
    return found
