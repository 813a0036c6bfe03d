"""Trials: faults played on the small line while it works, people who put things right, and what came of it."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache
from pathlib import Path

import pytest

from linectl.site.load import load_site

CONFIG = Path(__file__).parents[2] / "config"
small = cache(lambda: load_site(CONFIG / "small"))
WORKING = ("Execute", "Suspended", "Suspending", "Unsuspending")
WORK_MS = 60_000
"""What indexes nothing for this long after everything is put right, with both units in Execute..."""


@dataclass(frozen=True)
class Fault:
    """One fault: where, which, from when (ms) and for how long."""

    part: str
    kind: str
    from_ms: int
    for_ms: int = 60_000

    @property
    def name(self) -> str:
        return f"{self.part} {self.kind}"


@dataclass(frozen=True)
class Result:
    """What came of a trial."""

    violations: list[dict]
    alarms: list[str]
    """Tags of alarms from the first fault until a minute after the last was mended."""
    indexed: int
    """Gutters indexed in the last part of the trial."""
    states: dict[str, str]
    acts: list[str]

    @property
    def recovered(self) -> bool:
        return self.indexed >= 3 and all(state in WORKING for state in self.states.values())


@pytest.fixture(scope="session")
def trial(shift, attendant):
    def play(*faults: Fault, seed: int = 5, rest_ms: int = 300_000) -> Result:
        """Play the faults; a person looks round from 5 s after the last is mended."""
        run = shift("small", site=small(), seed=seed)
        bench = run.rehearsal.bench
        first = min(fault.from_ms for fault in faults)
        last = max(fault.from_ms + fault.for_ms for fault in faults)
        for fault in sorted(faults, key=lambda fault: fault.from_ms):
            bench.run(fault.from_ms)
            if not run.rehearsal.bench.now == fault.from_ms:
                bench.run(fault.from_ms)
            run.do("fault", fault.part, kind=fault.kind, for_ms=fault.for_ms)
        person = attendant(run, first_ms=last + 5_000)
        bench.run(last + rest_ms // 2)
        before = run.plant.report()["gutters"]["indexed"]
        bench.run(last + rest_ms)
        report = run.plant.report()
        alarms = [a["tag"] for a in run.rehearsal.account.alarms() if a["from_s"] * 1000 >= first]
        return Result(
            report["violations"],
            alarms,
            report["gutters"]["indexed"] - before,
            {unit.name: unit.state for unit in run.line.units},
            person.acts,
        )

    play.fault = Fault
    return play
