"""The record of how long steps took, beside a site's files: one row a step each time.

`timers.csv` holds what the next time is compared with, and the time-out as found and as left.
"""

from __future__ import annotations

from dataclasses import asdict, dataclass, fields
from pathlib import Path

from linectl.commission.kept_rows import Cells, append_row, no_instant, read_rows
from linectl.crop.step_times import Spread
from linectl.errors import Finding

FILE = "timers.csv"
NUMBERS = ("n", "least_ms", "lower_ms", "median_ms", "upper_ms", "p95_ms", "most_ms")
"""The columns of a Spread, in its order."""


@dataclass(frozen=True)
class StepKept:
    """A step as it was once. `at` is ISO 8601 with the zone; numbers are text, in ms."""

    at: str
    step: str
    """`tamp.pressing`, `lane1.lift.carrying`."""
    n: str
    least_ms: str
    lower_ms: str
    median_ms: str
    upper_ms: str
    p95_ms: str
    most_ms: str
    left_out: str
    """Cycles of its part that were not good ones."""
    timeout: str
    """Path in site.yaml; empty: from lengths and speeds."""
    found_ms: str
    left_ms: str
    """The time-out as left; as found if nothing was written."""
    drifted: str
    """yes, or empty."""
    by: str
    site_digest: str
    """Of the site as found."""
    version: str

    @property
    def spread(self) -> Spread:
        """The numbers of it."""
        n, *rest = (getattr(self, name) for name in NUMBERS)
        return Spread(int(n), *(float(text) for text in rest))


COLUMNS = tuple(field.name for field in fields(StepKept))


def read_kept(folder: Path) -> tuple[tuple[StepKept, ...], tuple[Finding, ...]]:
    """The rows in order of the file, and a finding for each that cannot be read."""
    rows, findings = read_rows(folder, FILE, COLUMNS, _wrong)
    return tuple(StepKept(**row) for row in rows), findings


def append_kept(folder: Path, kept: StepKept) -> None:
    """Add one row, as `append_row` does and with what it raises."""
    append_row(folder, FILE, asdict(kept))


def _wrong(cells: Cells) -> tuple[str, str] | None:
    for name in NUMBERS:
        try:
            good = float(cells[name]) >= 0 and (name != "n" or cells[name].isdecimal())
        except ValueError:
            good = False
        if not good:
            return name, f"{cells[name]!r} is no such number"
    return no_instant(cells, "at")
