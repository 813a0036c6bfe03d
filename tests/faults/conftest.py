"""Trials: faults played on the small line while it works, a person who puts things right."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import cache
from pathlib import Path

import pytest

from linectl.site.load import load_site

CONFIG = Path(__file__).parents[2] / "config"
small = cache(lambda: load_site(CONFIG / "small"))
WORKING = ("Execute", "Suspended", "Suspending", "Unsuspending")


@dataclass(frozen=True)
class Fault:
    """One fault: where, which, from when and for how long (ms)."""

    part: str
    kind: str
    from_ms: int
    for_ms: int = 60_000


@dataclass(frozen=True)
class Result:
    """What came of a trial."""

    violations: list[dict]
    alarms: tuple[str, ...]
    """Tags of the alarms from the first fault on, in their order."""
    indexed: int
    """Gutters indexed in the last two minutes and a half."""
    states: dict[str, str]
    acts: list[str]

    @property
    def works(self) -> bool:
        """Both units work, and gutters go in."""
        return self.indexed >= 3 and all(state in WORKING for state in self.states.values())


@pytest.fixture(scope="session")
def trial(shift, attendant) -> Callable[..., Result]:
    def play(*faults: Fault, seed: int = 5, rest_ms: int = 300_000, hasty: bool = False) -> Result:
        """Play the faults; a person looks round from 5 s after the last one is mended.

        A hasty one begins while the faults are there: unholds, resets, starts, all the time.
        """
        run = shift("small", site=small(), seed=seed)
        bench = run.rehearsal.bench
        last = max(fault.from_ms + fault.for_ms for fault in faults)
        first = min(fault.from_ms for fault in faults)
        person = attendant(run, first_ms=first + 15_000 if hasty else last + 5_000)
        for fault in sorted(faults, key=lambda fault: fault.from_ms):
            bench.run(fault.from_ms)
            run.do("fault", fault.part, kind=fault.kind, for_ms=fault.for_ms)
        bench.run(last + rest_ms // 2)
        before = run.plant.report()["gutters"]["indexed"]
        bench.run(last + rest_ms)
        report = run.plant.report()
        rows = run.rehearsal.account.alarms()
        alarms = [row["tag"] for row in rows if row["from_s"] * 1000 >= first]
        return Result(
            report["violations"],
            tuple(alarms),
            report["gutters"]["indexed"] - before,
            {unit.name: unit.state for unit in run.line.units},
            person.acts,
        )

    return play


@pytest.fixture(scope="session")
def fault() -> type[Fault]:
    return Fault
