"""Time-outs as good cycles say they should be: found, proposed, written as a diff, taken back."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from linectl.commission.calibrate.site_values import spoken
from linectl.commission.calibrate.step_cycles import StepCycles
from linectl.commission.calibrate.timed_steps import StepName, TimedStep, timed_steps
from linectl.commission.calibrate.timers_record import StepKept, read_kept
from linectl.crop.step_times import (
    CYCLES_LEAST,
    Proposal,
    Spread,
    covered,
    has_drifted,
    propose,
    spread,
)
from linectl.errors import Finding, SiteError
from linectl.site.check_timers import Limited, allowance_ms, timeouts
from linectl.site.draft import draft_of
from linectl.site.load import read_sources
from linectl.site.model import Site
from linectl.site.sheet import TreePath


@dataclass(frozen=True)
class StepFound:
    """One step: what it took in good cycles, and what it took the last time."""

    step: TimedStep
    path: str
    """Its time-out in site.yaml, as people call it; empty: from lengths and speeds."""
    spread: Spread | None
    """None: no good cycle had it."""
    before: StepKept | None
    drifted: bool

    def as_json(self) -> dict[str, Any]:
        """step, timeout_ms, path (null: from lengths and speeds), n and, in ms, least, median, p95,
        most (null without a cycle); covered: the share of steps not longer than most, with 95 %
        confidence; before: median_ms and at of the last record, or null; drifted."""
        one = self.spread
        told = {name: None if one is None else getattr(one, name) for name in _TOLD}
        return {
            "step": str(self.step.name),
            "timeout_ms": self.step.timeout_ms,
            "path": self.path or None,
            "n": one.n if one else 0,
            **told,
            "covered": round(covered(one.n), 4) if one else 0.0,
            "before": None if self.before is None else {
                "median_ms": self.before.spread.median, "at": self.before.at
            },
            "drifted": self.drifted,
        }  # fmt: skip


_TOLD = ("least", "median", "p95", "most")


@dataclass(frozen=True)
class TimeoutFound:
    """One time-out of site.yaml with the steps that it bounds."""

    path: TreePath
    name: str
    """`stations.tamp.press_timeout`, `lanes.2.germ.timeout`."""
    now_ms: int
    motion_ms: float
    """The longest motion it bounds, by the site's own lengths and times."""
    jam_ms: int | None
    longest_ms: float | None
    """The longest of its steps in good cycles."""
    proposal: Proposal

    @property
    def changes(self) -> bool:
        return self.proposal.ms is not None and self.proposal.ms != self.now_ms

    def as_json(self) -> dict[str, Any]:
        """path, now_ms, motion_ms (by the site's files), jam_limit_ms or null, longest_ms or null,
        proposed_ms or null, why."""
        return {
            "path": self.name, "now_ms": self.now_ms, "motion_ms": round(self.motion_ms),
            "jam_limit_ms": self.jam_ms, "longest_ms": self.longest_ms,
            "proposed_ms": self.proposal.ms, "why": self.proposal.why,
        }  # fmt: skip


@dataclass(frozen=True)
class TimersFound:
    """All that good cycles say of a site's time-outs."""

    site: Site
    steps: tuple[StepFound, ...]
    timeouts: tuple[TimeoutFound, ...]
    good: Mapping[str, int]
    """Good cycles by part."""
    left_out: Mapping[tuple[str, str], int]
    unreadable: tuple[Finding, ...]

    @property
    def drifted(self) -> tuple[StepFound, ...]:
        return tuple(one for one in self.steps if one.drifted)

    @property
    def proposals(self) -> tuple[TimeoutFound, ...]:
        """Time-outs that would change."""
        return tuple(one for one in self.timeouts if one.changes)

    def left_out_of(self, part: str) -> int:
        return sum(count for (name, _), count in self.left_out.items() if name == part)

    def as_json(self) -> dict[str, Any]:
        """site, steps, timeouts, drifted (names of steps), good (cycles by part), left_out
        ([{part, why, cycles}])."""
        return {
            "site": self.site.name,
            "steps": [one.as_json() for one in self.steps],
            "timeouts": [one.as_json() for one in self.timeouts],
            "drifted": [str(one.step.name) for one in self.drifted],
            "good": dict(self.good),
            "left_out": [
                {"part": part, "why": why, "cycles": count}
                for (part, why), count in sorted(self.left_out.items())
            ],
        }


def found(site: Site, cycles: StepCycles) -> TimersFound:
    """What the cycles say, held against the site's files and the last record.

    Raises SiteError if the files are wrong by now.
    """
    kept, unreadable = read_kept(Path(site.folder))
    before = {row.step: row for row in kept if int(row.n) >= CYCLES_LEAST}  # the last one stays
    seen_every_ms, limits = _limits(Path(site.folder))
    steps = tuple(
        _step(site, step, cycles.durations.get(name, ()), before.get(str(name)), seen_every_ms)
        for name, step in timed_steps(site).items()
    )
    by_path: dict[TreePath, list[Spread]] = {}
    for one in steps:
        if one.step.path is not None and one.spread is not None:
            by_path.setdefault(one.step.path, []).append(one.spread)
    timed = {one.step.path for one in steps}
    rows = []
    for limit in limits:
        if limit.path not in timed:
            continue  # belts' travel_timeout: what the line computes is shorter
        rows.append(_timeout(site, limit, by_path.get(limit.path, []), seen_every_ms))
    counts = Counter(cycles.good)
    return TimersFound(site, steps, tuple(rows), counts, dict(cycles.left_out), unreadable)


def _timeout(
    site: Site, limit: Limited, spreads: Sequence[Spread], seen_every_ms: int
) -> TimeoutFound:
    return TimeoutFound(
        path=limit.path,
        name=spoken(site, limit.path),
        now_ms=limit.limit_ms,
        motion_ms=limit.motion_ms,
        jam_ms=limit.jam_ms,
        longest_ms=max((one.most for one in spreads), default=None),
        proposal=propose(spreads, limit.motion_ms, seen_every_ms, limit.limit_ms, limit.jam_ms),
    )


def _limits(folder: Path) -> tuple[int, tuple[Limited, ...]]:
    """What the controller needs to see a motion end, ms; and every time-out that `check` knows."""
    findings: list[Finding] = []
    sources = read_sources(folder, findings)
    draft = draft_of(folder, sources.trees, sources.rows, findings)
    if findings:
        raise SiteError(findings)
    return allowance_ms(draft), tuple(timeouts(draft))


def _step(
    site: Site,
    step: TimedStep,
    durations_ms: Sequence[int],
    before: StepKept | None,
    seen_every_ms: int,
) -> StepFound:
    now = spread(durations_ms) if durations_ms else None
    drifted = (
        now is not None and before is not None and has_drifted(now, before.spread, seen_every_ms)
    )
    path = "" if step.path is None else spoken(site, step.path)
    return StepFound(step, path, now, before, drifted)


__all__ = ["StepFound", "StepName", "TimeoutFound", "TimersFound", "found"]
