"""The record of changes on a commissioned site, and which checkouts each of them opens again.

`changes.csv` beside the site's files: a point moved to another channel, a device replaced, a timer
or dose tuned, a calibration taken over; one row a change, only ever added to.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import asdict, dataclass, fields
from pathlib import Path

from linectl.commission.kept_rows import Cells, append_row, no_instant, read_rows
from linectl.errors import Finding

FILE = "changes.csv"
KINDS = ("remap", "replace", "tune", "calibrate", "timers", "undo")


@dataclass(frozen=True)
class ChangeMade:
    """One change. `at` is ISO 8601 with the zone."""

    at: str
    kind: str
    """One of KINDS."""
    what: str
    """Tag, device, or path of the value: `stations.tamp.press_timeout`."""
    old: str
    new: str
    why: str
    by: str
    reopens: str
    """Tags, with spaces between: their checkouts made before are open again."""
    site_digest: str
    """Of the site after the change."""
    version: str


COLUMNS = tuple(field.name for field in fields(ChangeMade))


def read_changes(folder: Path) -> tuple[tuple[ChangeMade, ...], tuple[Finding, ...]]:
    """The changes in order of the file, and a finding for each row that cannot be read."""
    rows, findings = read_rows(folder, FILE, COLUMNS, _wrong)
    return tuple(ChangeMade(**row) for row in rows), findings


def append_change(folder: Path, change: ChangeMade) -> None:
    """Add one row, as `append_row` does and with what it raises."""
    append_row(folder, FILE, asdict(change))


def last_reopening(changes: tuple[ChangeMade, ...]) -> Mapping[str, ChangeMade]:
    """By tag: the last change after which its checkout is to be made anew."""
    return {tag: change for change in changes for tag in change.reopens.split()}


def _wrong(cells: Cells) -> tuple[str, str] | None:
    if cells["kind"] not in KINDS:
        return "kind", f"{cells['kind']!r} is none of {', '.join(KINDS)}"
    return no_instant(cells, "at")
