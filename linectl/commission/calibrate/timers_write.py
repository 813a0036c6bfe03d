"""Writes time-outs into the site's own site.yaml, keeps the record, and takes them back.

Only the lines that must change are changed. What a site inherits from the one that it extends gets
its new value in the site's own file.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from ruamel.yaml.comments import CommentedMap, CommentedSeq

from linectl import __version__
from linectl.commission.calibrate.timers import TimeoutFound, TimersFound, site_tree
from linectl.commission.calibrate.timers_record import NUMBERS, StepKept, append_kept
from linectl.commission.changes_record import ChangeMade, append_change, read_changes
from linectl.commission.file_edit import FileEdit, text_of, undoing
from linectl.commission.yaml_edit import edited, in_one_line, place_for_new, put
from linectl.errors import LinectlError, UsageError
from linectl.site.load import load_site, read_site
from linectl.site.sheet import Node, TreePath

KIND = "timers"


@dataclass(frozen=True)
class Signed:
    """Who writes, when (ISO 8601 with the zone), and why."""

    by: str
    at: str
    why: str


def planned(folder: Path, chosen: Sequence[TimeoutFound]) -> FileEdit:
    """site.yaml with those proposals. Raises UsageError if the place cannot be found."""
    path = folder / "site.yaml"
    before = text_of(path)
    tree = site_tree(folder)
    wanted = {one.path: shown(one.proposal.ms) for one in chosen if one.proposal.ms is not None}
    by_hand = f"{path}: the place cannot be found; write by hand: " + ", ".join(
        f"{one.name}: {wanted[one.path]}" for one in chosen if one.path in wanted
    )

    def change(data: CommentedMap) -> None:
        for place, text in wanted.items():
            set_value(data, tree, place, text)

    return FileEdit(path, before, edited(before, change, by_hand) if wanted else before)


def shown(ms: int) -> str:
    """A time-out as people write it: 6s, 5.2s."""
    return f"{ms / 1000:g}s"


def set_value(data: CommentedMap, tree: Node, path: TreePath, value: Any) -> None:
    """Set a value in the site's own file, of which `tree` has everything resolved.

    A lane is found by its id; a list of runs or transfers that the file inherits is written into
    it whole, because a list replaces the inherited one.
    """
    if path[0] != "lanes":
        put(data, path, value)
        return
    _, place, *rest = path
    lane = _lane(data, tree.at(("lanes", place, "id")).value)
    if len(rest) > 1 and rest[0] not in lane:
        whole = tree.at(("lanes", place, rest[0])).plain()
        items = CommentedSeq([in_one_line(CommentedMap(item)) for item in whole])
        lane.insert(place_for_new(lane), rest[0], items)
    put(lane, rest, value)


def _lane(data: CommentedMap, number: int) -> CommentedMap:
    if "lanes" not in data:
        data.insert(place_for_new(data), "lanes", CommentedSeq())
    lanes = data["lanes"]
    for lane in lanes:
        if lane["id"] == number:
            found: CommentedMap = lane
            return found
    made = CommentedMap({"id": number})
    lanes.append(made)
    return made


def write(found: TimersFound, edit: FileEdit, chosen: Sequence[TimeoutFound], who: Signed) -> None:
    """Make the change, if there is one, and the rows of the record.

    Raises Unreachable, UsageError as `FileEdit.write` does, LinectlError if the site would be
    wrong with it: then the file is as it was.
    """
    folder = Path(found.site.folder)
    digest = found.site.digest
    if edit.diff:
        edit.write()
        reading = read_site(folder)
        if reading.site is None:
            undoing(edit.path).write()
            raise LinectlError(f"nothing is written, it would be wrong: {reading.errors[0]}")
        digest = reading.site.digest
    left = {one.path: one.proposal.ms for one in chosen if edit.diff}
    for row in _rows(found, left, who):
        append_kept(folder, row)
    for one in chosen if edit.diff else ():
        assert one.proposal.ms is not None
        append_change(
            folder,
            ChangeMade(
                who.at, KIND, one.name, shown(one.now_ms), shown(one.proposal.ms), who.why, who.by,
                "", digest, __version__,
            ),
        )  # fmt: skip


def _rows(found: TimersFound, left: Mapping[TreePath, int | None], who: Signed) -> list[StepKept]:
    rows = []
    for one in found.steps:
        now, path = one.spread, one.step.path
        if now is None:
            continue
        name = next((t.name for t in found.timeouts if t.path == path), "")
        after = left.get(path) if path is not None else None
        rows.append(
            StepKept(
                at=who.at,
                step=str(one.step.name),
                **{name: f"{value:g}" for name, value in zip(NUMBERS, now, strict=True)},
                left_out=str(found.left_out_of(one.step.name.part)),
                timeout=name,
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
    edit = undoing(folder / "site.yaml")
    changes, _ = read_changes(folder)
    last = changes[-1] if changes else None
    if last is None or last.kind != KIND or last.site_digest != load_site(folder).digest:
        said = (
            f"{last.kind} {last.what} by {last.by}, {last.at}" if last else "nothing is on record"
        )
        raise UsageError(
            f"{edit.path}: time-outs were not the last that was written into it ({said}); what"
            f" stands beside it is the file before that. Nothing is taken back"
        )
    return edit


def undo(folder: Path, edit: FileEdit, who: Signed) -> None:
    """Put the file back, and a row for each time-out that goes back with it."""
    changes, _ = read_changes(folder)
    digest = changes[-1].site_digest
    gone = [one for one in changes if one.kind == KIND and one.site_digest == digest]
    edit.write()
    after = load_site(folder).digest
    for one in gone:
        append_change(
            folder,
            ChangeMade(
                who.at, "undo", one.what, one.new, one.old, who.why, who.by, "", after, __version__
            ),
        )


__all__ = ["Signed", "planned", "planned_undo", "set_value", "shown", "undo", "write"]
