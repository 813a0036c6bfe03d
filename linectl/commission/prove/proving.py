"""A whole proof: plan, courses side by side, and one result for each cell of the matrix."""

from __future__ import annotations

import datetime as dt
import time
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from fnmatch import fnmatchcase
from pathlib import Path

from linectl import __version__
from linectl.commission.proof import CellResult, Proof, SelfCheck
from linectl.commission.prove.courses import Course
from linectl.commission.prove.edges import EdgeRun
from linectl.commission.prove.forks import each_done
from linectl.commission.prove.kept import Kept
from linectl.commission.prove.notes import Notes
from linectl.commission.prove.planning import Plan, plan_of
from linectl.commission.prove.planting import self_check
from linectl.commission.prove.promised import Cell, Promise, only_warns, promises
from linectl.commission.prove.reactions import Limits
from linectl.commission.prove.stand import Stand
from linectl.errors import UsageError
from linectl.site.approval import approval_line
from linectl.site.complaints import nearest
from linectl.site.model import Site

Progress = Callable[[int, int], None]
"""(done, in all)."""


@dataclass(frozen=True)
class Asked:
    """What a proof is asked for. Patterns may hold * and ?; none: everything."""

    causes: tuple[str, ...] = ()
    effects: tuple[str, ...] = ()
    seed: int = 1
    jobs: int = 1
    by: str = ""
    resume: Path | None = None
    self_check: bool = False
    """Plant defects as well, each of which the proof must find."""


@dataclass(frozen=True)
class CourseTask:
    """One course of one cause, for a child process."""

    course: Course
    promise: Promise
    limits: Limits

    def on(self, stand: Stand) -> Notes:
        notes = Notes(self.promise)
        EdgeRun(stand, self.course, self.promise, self.limits, notes).run()
        return notes


def prove(site: Site, asked: Asked, progress: Progress = lambda done, total: None) -> Proof:
    """Prove what is asked. UsageError if a pattern fits nothing; an interruption keeps what is
    done in the `resume` file and raises KeyboardInterrupt with the rest left out."""
    began, clock = dt.datetime.now().astimezone(), time.perf_counter()
    chosen = chosen_of(site, asked)
    kept = Kept(site, asked.seed, asked.resume)
    open_ = [promise for promise in chosen if promise.name not in kept.cells]
    limits = Limits(site)
    results: dict[str, tuple[CellResult, ...]] = dict(kept.cells)
    consequences: dict[str, tuple[str, ...]] = dict(kept.consequences)
    interrupted = False
    checked: SelfCheck | None = None
    if open_ or asked.self_check:
        plan = plan_of(site, asked.seed, chosen if asked.self_check else open_, limits)
        try:
            for promise, notes in _proven(site, asked, plan.only(open_), limits, progress):
                results[promise.name] = tuple(_results(site, promise, notes, plan))
                consequences[promise.name] = tuple(notes.consequences)
                kept.add(promise.name, results[promise.name], consequences[promise.name])
            if asked.self_check:
                checked = self_check(site, asked.seed, asked.jobs, plan, limits, progress)
        except KeyboardInterrupt:
            interrupted = True
    cells = [
        cell
        for promise in chosen
        for cell in results.get(promise.name, ())
        if _fits(cell.effect, asked.effects)
    ]
    return Proof(
        site=site.name, text=site.file.text, site_digest=site.digest, version=__version__,
        seed=asked.seed, at=began.isoformat(timespec="seconds"), by=asked.by,
        wall_s=time.perf_counter() - clock, cells=tuple(cells),
        untested=tuple(_untested(site, chosen, results, cells)),
        consequences={name: texts for name, texts in consequences.items() if texts},
        approval=approval_line(site), self_check=checked, interrupted=interrupted,
    )  # fmt: skip


def chosen_of(site: Site, asked: Asked) -> list[Promise]:
    """The causes that the patterns of `asked` leave."""
    every = promises(site)
    chosen = [
        promise
        for promise in every
        if _fits(promise.name, asked.causes)
        and any(_fits(cell.effect, asked.effects) for cell in promise.cells)
    ]
    names = [promise.name for promise in every]
    effects = list(dict.fromkeys(cell.effect for promise in every for cell in promise.cells))
    for patterns, known, what in (
        (asked.causes, names, "cause"),
        (asked.effects, effects, "effect"),
    ):
        for pattern in patterns:
            if not any(fnmatchcase(name, pattern) for name in known):
                near = nearest(pattern, known) or f"linectl prove {site.folder} --matrix lists them"
                raise UsageError(f"no {what} is called {pattern!r}; {near}")
    if not chosen:
        raise UsageError("none of these causes has one of these effects")
    return chosen


def _fits(name: str, patterns: Sequence[str]) -> bool:
    return not patterns or any(fnmatchcase(name, pattern) for pattern in patterns)


def _proven(
    site: Site, asked: Asked, plan: Plan, limits: Limits, progress: Progress
) -> Iterable[tuple[Promise, Notes]]:
    """Each cause with its notes, as soon as its last course is done."""
    courses = plan.all_courses
    tasks = [CourseTask(course, plan.promises[course.cause], limits) for course in courses]
    gathered: dict[str, dict[int, Notes]] = {name: {} for name in plan.courses}
    progress(0, len(tasks))
    for done, (place, notes) in enumerate(each_done(site, asked.seed, tasks, asked.jobs), 1):
        name = courses[place].cause
        mine = gathered[name]
        mine[place] = notes
        progress(done, len(tasks))
        if len(mine) == len(plan.courses[name]):
            whole = mine[min(mine)]  # the first course tells how it was tripped
            for later in sorted(mine)[1:]:
                whole.take(mine[later])
            yield plan.promises[name], whole


def _results(site: Site, promise: Promise, notes: Notes, plan: Plan) -> Iterable[CellResult]:
    for cell in promise.cells:
        checks = tuple(notes.checks.get(cell.effect, {}).values())
        failed = [check for check in checks if not check.ok]
        reactions = tuple(r for (effect, _), r in notes.reactions.items() if effect == cell.effect)
        slowest = max(reactions, key=lambda r: r.reaction_ms, default=None)
        unseen = sorted(plan.unseen[promise.name] & set(cell.outputs))
        yield CellResult(
            cause=promise.name, effect=cell.effect, kind=cell.kind,
            expected=expected(site, promise, cell),
            outcome="fail" if failed or not checks else "pass",
            reaction_ms=None if slowest is None else slowest.reaction_ms,
            limit_ms=None if slowest is None else slowest.limit_ms,
            detail="; ".join(f"{check.name}: {check.text}" for check in failed),
            trip=notes.trip, checks=checks, outputs=reactions,
            unseen=tuple(site.points[index].tag for index in unseen),
            derived=promise.origin != "written",
        )  # fmt: skip


def expected(site: Site, promise: Promise, cell: Cell) -> str:
    """A cell's promise in words."""
    until = {
        "automatic": "while it is present", "interlock": "until interlock reset",
        "at_machine": f"until interlock reset at {promise.zone}",
    }[promise.reset if cell.kind == "latched" else "automatic"]  # fmt: skip
    if cell.kind == "permissive":
        what = f"{cell.unit} may not start" if cell.unit else "what is off may not come on"
        return f"{what}, {until}"
    if cell.station:
        then = f"; then {cell.action}" if cell.action else ""
        return f"{cell.station} takes no further gutter{then}, {until}"
    if cell.unit:
        return f"{cell.unit} {cell.action}s, {until}"
    zones = {site.file.zones[site.points[i].zone].reaction_limit_ms
             for i in cell.outputs if site.points[i].zone in site.file.zones}  # fmt: skip
    limit = f" within {min(zones) + promise.on_delay_ms} ms" if zones else ""
    return f"off{limit}, {until}"


def _untested(
    site: Site, chosen: Sequence[Promise], results: Mapping[str, Sequence[CellResult]],
    cells: Sequence[CellResult],
) -> Iterable[str]:  # fmt: skip
    """What was not tested, in sentences."""
    missing = [promise.name for promise in chosen if promise.name not in results]
    if missing:
        yield f"not run: {', '.join(missing)}"
    unseen: dict[str, int] = {}
    for cell in cells:
        for tag in cell.unseen:
            unseen[tag] = unseen.get(tag, 0) + 1
    for tag, count in unseen.items():
        yield (
            f"{tag}: in {count} cells never on for long enough to be seen to go off;"
            " proven by the line's verdict only"
        )
    if warns := only_warns(site):
        yield f"warn only, stop nothing: {', '.join(warns)}"
    held = sorted({cell.cause for cell in cells if "held at" in cell.trip and not cell.derived})
    if held:
        yield f"tripped by holding their sensor, as the model has no act for it: {', '.join(held)}"
    yield "a bad reading of one point while its device answers: the model plays silent devices only"
