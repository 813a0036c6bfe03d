"""The proof's own proof: defects generated from the matrix, each of which the proof must name.

How many there are follows from the matrix. A defect that nothing could show is left out by a rule
that is computed and printed with its count.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, replace

from linectl.commission.proof import SelfCheck
from linectl.commission.prove.courses import Course
from linectl.commission.prove.defects import (
    CELL_KINDS,
    GATE,
    PAST_MS,
    WIRES,
    Defect,
    own_part,
    plant_defect,
)
from linectl.commission.prove.edges import EdgeRun
from linectl.commission.prove.forks import each_done
from linectl.commission.prove.notes import Notes
from linectl.commission.prove.planning import Plan
from linectl.commission.prove.promised import Cell, Promise
from linectl.commission.prove.reactions import Limits
from linectl.commission.prove.stand import UNITS, Stand
from linectl.site.model import Site
from linectl.site.roles import PERMISSIVES

Progress = Callable[[int, int], None]

TRIPPED = ("whole", "trip", "gutter", "permissive")
"""Courses that trip the cause whole; a trip alone shows most defects."""
COVERED = "another cell of the same cause does the same"
NO_LATCH = "the cell does not latch"
ONLY_QUALITY = "a silent device has no comparison beside its quality: the same as dropped"
NO_QUALITY = "a lost supply is told from good readings only; its devices' silence is another cause"
STOPPED_TOO = "every cause chosen that forbids its output aborts its unit, whose stop does the same"
NEVER_ON = "its output is never on for long enough in the reference run"


@dataclass(frozen=True)
class DefectTask:
    """One defect planted, and one course of the proof run on it to its first failed check."""

    defect: Defect
    course: Course
    promise: Promise
    limits: Limits

    def on(self, stand: Stand) -> dict[str, list[tuple[str, str]]]:
        """Failed checks by effect: (name, what was seen)."""
        notes = Notes(self.promise, one_is_enough=True)
        plant_defect(stand, self.promise, self.defect, self._delay_ms())
        EdgeRun(stand, self.course, self.promise, self.limits, notes).run()
        return {
            effect: [(check.name, check.text) for check in checks]
            for effect, checks in notes.failed().items()
        }

    def _delay_ms(self) -> int:
        allowed = [self.limits.allowed_ms(self.promise, i) for i in self.promise.outputs]
        return round(max((ms for ms in allowed if ms is not None), default=0.0)) + PAST_MS


def defects_of(site: Site, plan: Plan) -> tuple[list[Defect], dict[str, int]]:
    """Every defect that the matrix gives, and how many each rule leaves out."""
    found: list[Defect] = []
    excluded: dict[str, int] = {}
    for promise in plan.promises.values():
        for cell in promise.cells:
            for kind in CELL_KINDS:
                rule = _cannot_show(promise, cell, kind)
                if rule:
                    excluded[rule] = excluded.get(rule, 0) + 1
                else:
                    name = f"{kind}: {promise.name} → {cell.effect}"
                    found.append(Defect(kind, promise.name, cell.effect, name=name))
    seen = {index for course in plan.all_courses for index in course.moment.on}
    for index in sorted({i for promise in plan.promises.values() for i in promise.outputs}):
        rule = "" if index in seen else NEVER_ON
        if not rule and not _gate_courses(site, index, plan):
            rule = STOPPED_TOO
        if rule:
            excluded[rule] = excluded.get(rule, 0) + 1
        else:
            found.append(Defect(GATE, "", output=index, name=f"{GATE}: {site.points[index].tag}"))
    found += _swapped(plan)
    return found, excluded


def _cannot_show(promise: Promise, cell: Cell, kind: str) -> str:
    """The rule by which a defect of that kind cannot show in that cell; empty: it can."""
    if own_part(promise, cell) is None:
        return COVERED
    if kind == "latch made automatic" and cell.kind != "latched":
        return NO_LATCH
    if kind == "quality ignored" and promise.origin == "silence":
        return ONLY_QUALITY
    if kind == "quality ignored" and promise.origin == "supply":
        return NO_QUALITY
    return ""


def _swapped(plan: Plan) -> Iterable[Defect]:
    """Each permissive input on its neighbour's terminal: guard, stop, drive, isolator, ..."""
    by_role: dict[str, list[Promise]] = {}
    for promise in plan.promises.values():
        if promise.origin == "written" and len(promise.wanted) == 1:
            role = promise.wanted[0].tag.rpartition(".")[2]
            if role in PERMISSIVES:
                by_role.setdefault(role, []).append(promise)
    for of_role in by_role.values():
        for place, promise in enumerate(of_role):
            beside = of_role[place + 1] if place + 1 < len(of_role) else of_role[place - 1]
            tag, other = promise.wanted[0].tag, beside.wanted[0].tag
            if tag != other:
                yield Defect(WIRES, promise.name, other=other, name=f"{WIRES}: {tag}, {other}")


def self_check(
    site: Site, seed: int, jobs: int, plan: Plan, limits: Limits, progress: Progress
) -> SelfCheck:
    """Plant every defect, one at a time; a missed one is tried with every course of its cause."""
    defects, excluded = defects_of(site, plan)
    courses = [_courses_for(site, defect, plan) for defect in defects]
    caught_by: dict[int, str] = {}
    open_ = list(range(len(defects)))
    attempt = 0
    while open_:
        tasks = [
            DefectTask(
                defects[n], courses[n][attempt], plan.promises[courses[n][attempt].cause], limits
            )
            for n in open_
        ]
        for place, failed in each_done(site, seed, tasks, jobs):
            number = open_[place]
            defect = defects[number]
            tag = site.points[defect.output].tag if defect.output >= 0 else ""
            if defect.found(failed, tag):
                caught_by[number] = _check_that_found(defect, failed)
            progress(len(caught_by), len(defects))
        attempt += 1
        open_ = [n for n in open_ if n not in caught_by and attempt < len(courses[n])]
    return _told(defects, caught_by, excluded)


def _check_that_found(defect: Defect, failed: Mapping[str, Sequence[tuple[str, str]]]) -> str:
    checks = failed.get(defect.effect) or next(iter(failed.values()))
    return checks[0][0]


def _told(
    defects: Sequence[Defect], caught_by: Mapping[int, str], excluded: Mapping[str, int]
) -> SelfCheck:
    by_kind: dict[str, tuple[int, int]] = {}
    by_check: dict[str, int] = {}
    for number, defect in enumerate(defects):
        planted, caught = by_kind.get(defect.kind, (0, 0))
        by_kind[defect.kind] = (planted + 1, caught + (number in caught_by))
    for check in caught_by.values():
        by_check[check] = by_check.get(check, 0) + 1
    missed = tuple(d.name for n, d in enumerate(defects) if n not in caught_by)
    return SelfCheck(len(defects), len(caught_by), missed, by_kind, dict(excluded), by_check)


def _courses_for(site: Site, defect: Defect, plan: Plan) -> list[Course]:
    """The courses of the proof that may show it, the likeliest first; trips only where a trip
    is enough."""
    if defect.kind == GATE:
        return _gate_courses(site, defect.output, plan)
    courses = list(plan.courses[defect.cause])
    first = courses[0]
    trips = [replace(c, kind="trip") for c in courses if c.kind in TRIPPED]
    quality = [course for course in courses if course.kind == "quality"]
    if defect.kind == "quality ignored":
        return [*quality, first]
    if defect.kind == "latch made automatic":
        return [first]
    return [*trips, first]


def _gate_courses(site: Site, output: int, plan: Plan) -> list[Course]:
    """Trips while that output is on, of causes that leave a unit running that may demand it."""
    zone = site.file.zones.get(site.points[output].zone)
    owners = UNITS if zone is None or zone.unit is None else (zone.unit,)
    found = [
        (len(promise.outputs), course)
        for name, promise in plan.promises.items()
        if output in promise.outputs
        and not all(promise.of_unit(unit) == "abort" for unit in owners)
        for course in plan.courses[name]
        if course.kind in ("whole", "trip") and output in course.moment.on
    ]
    return [replace(course, kind="trip") for _, course in sorted(found, key=lambda row: row[0])]
