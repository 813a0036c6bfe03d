"""Writes time-outs into the site's own site.yaml, keeps the record, and takes them back."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path

from linectl import __version__
from linectl.commission.calibrate import site_values
from linectl.commission.calibrate.site_values import Signed
from linectl.commission.calibrate.timers import TimeoutFound, TimersFound
from linectl.commission.calibrate.timers_record import NUMBERS, StepKept, append_kept
from linectl.commission.file_edit import FileEdit
from linectl.site.sheet import TreePath

KIND = "timers"


def planned(found: TimersFound, chosen: Sequence[TimeoutFound]) -> FileEdit:
    """site.yaml with those proposals. Raises UsageError if the place cannot be found."""
    values = {one.path: shown(one.proposal.ms) for one in chosen if one.proposal.ms is not None}
    return site_values.planned(Path(found.site.folder), found.site, values)


def shown(ms: int) -> str:
    """A time-out as people write it: 6s, 5.2s."""
    return f"{ms / 1000:g}s"


def write(found: TimersFound, edit: FileEdit, chosen: Sequence[TimeoutFound], who: Signed) -> None:
    """Make the change, if there is one, and the rows of the record.

    Raises Unreachable, UsageError as `FileEdit.write` does, LinectlError if the site would be
    wrong with it: then the file is as it was.
    """
    folder = Path(found.site.folder)
    digest = site_values.written(folder, edit)
    left = {one.path: one.proposal.ms for one in chosen if edit.diff}
    for row in _rows(found, left, who):
        append_kept(folder, row)
    if edit.diff:
        changes = {
            one.name: (shown(one.now_ms), shown(left[one.path] or one.now_ms)) for one in chosen
        }
        site_values.recorded(folder, KIND, changes, who, digest)


def _rows(found: TimersFound, left: Mapping[TreePath, int | None], who: Signed) -> list[StepKept]:
    rows = []
    for one in found.steps:
        now, path = one.spread, one.step.path
        if now is None:
            continue
        after = left.get(path) if path is not None else None
        rows.append(
            StepKept(
                at=who.at,
                step=str(one.step.name),
                **{name: f"{value:g}" for name, value in zip(NUMBERS, now, strict=True)},
                left_out=str(found.left_out_of(one.step.name.part)),
                timeout=one.path,
                found_ms=str(one.step.timeout_ms),
                left_ms=str(after or one.step.timeout_ms),
                drifted="yes" if one.drifted else "",
                by=who.by,
                site_digest=found.site.digest,
                version=__version__,
            )
        )
    return rows


def planned_undo(folder: Path) -> FileEdit:
    """site.yaml as it was before time-outs were written last.

    Raises UsageError if that was not the last thing that was written into it.
    """
    return site_values.planned_undo(folder, lambda change: change.kind == KIND)


def undo(folder: Path, edit: FileEdit, who: Signed) -> None:
    """Put the file back, and a row for each time-out that goes back with it."""
    site_values.undo(folder, edit, who, lambda change: change.kind == KIND)


__all__ = ["Signed", "planned", "planned_undo", "shown", "undo", "write"]
