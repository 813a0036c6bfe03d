"""The record of calibrations beside a site's files: every round, also those that changed nothing.

`calibrations.csv`: one row a round, only ever added to. What the line works with stands in
calibration.yaml; this says how it came there.
"""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import asdict, dataclass, fields
from pathlib import Path
from typing import Any

from linectl.commission.kept_rows import Cells, append_row, no_instant, read_rows
from linectl.errors import Finding

FILE = "calibrations.csv"
RESULTS = ("written", "left", "refused", "undone")
"""written: the file says the new values; left: measured, and the person left the file as it was;
refused: the runs did not allow it; undone: the file from before was put back."""


@dataclass(frozen=True)
class Calibrated:
    """One round. Figures are text, empty where the round has none; `at` is ISO 8601 with zone."""

    at: str
    what: str
    """doser, water, drum, carriage or timers."""
    result: str
    """One of RESULTS."""
    why: str
    """Of a refusal: what the runs did not allow."""
    old: str
    """As the file said before: `factor 0.992`."""
    new: str
    as_found: str
    """The error before, in words: `off by +3.1 %`."""
    as_left: str
    """The same in the verification run."""
    uncertainty: str
    """Half-width of 95 % of the new value: `0.006`."""
    spread: str
    """Standard deviation of one run as a share."""
    runs: str
    """JSON list of the runs that count."""
    left_out: str
    """JSON list of the runs that were repeated, with why."""
    residuals: str
    """JSON list: of each run that counts, by how much it differs from the mean or the line."""
    lot: str
    """The substrate or seed lot it was measured with."""
    instrument: str
    by: str
    valid_until: str
    """The last day on which it is good; empty: until it is measured anew."""
    remark: str
    site_digest: str
    version: str


COLUMNS = tuple(field.name for field in fields(Calibrated))


def read_calibrations(folder: Path) -> tuple[tuple[Calibrated, ...], tuple[Finding, ...]]:
    """The rounds in order of the file, and a finding for each row that cannot be read."""
    rows, findings = read_rows(folder, FILE, COLUMNS, _wrong)
    return tuple(Calibrated(**row) for row in rows), findings


def append_calibration(folder: Path, one: Calibrated) -> None:
    """Add one row, as `append_row` does and with what it raises."""
    append_row(folder, FILE, asdict(one))


def as_cell(values: Sequence[Any]) -> str:
    """A list as a cell holds it; empty for an empty one."""
    return json.dumps(list(values), ensure_ascii=False) if values else ""


def _wrong(cells: Cells) -> tuple[str, str] | None:
    if cells["result"] not in RESULTS:
        return "result", f"{cells['result']!r} is none of {', '.join(RESULTS)}"
    return no_instant(cells, "at")
