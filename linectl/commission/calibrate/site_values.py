"""Values in a site's own site.yaml: set, written only if the site stands with them, taken back.

Only the lines that must change are changed. What a site inherits from the one that it extends gets
its new value in the site's own file.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from ruamel.yaml.comments import CommentedMap, CommentedSeq

from linectl import __version__
from linectl.commission.changes_record import ChangeMade, append_change, read_changes
from linectl.commission.file_edit import FileEdit, text_of, undoing
from linectl.commission.yaml_edit import edited, in_one_line, place_for_new, put
from linectl.errors import Finding, LinectlError, SiteError, UsageError
from linectl.site.load import load_site, read_site, read_sources
from linectl.site.model import Site
from linectl.site.sheet import Node, TreePath

Ours = Callable[[ChangeMade], bool]
"""Whether a change on record is of the kind that is to be taken back."""


@dataclass(frozen=True)
class Signed:
    """Who writes, when (ISO 8601 with the zone), and why."""

    by: str
    at: str
    why: str


def site_tree(folder: Path) -> Node:
    """site.yaml over what it extends. Raises SiteError."""
    findings: list[Finding] = []
    tree = read_sources(folder, findings).trees["site.yaml"]
    if findings:
        raise SiteError(findings)
    return tree


def spoken(site: Site, path: TreePath) -> str:
    """What stands in site.yaml, as people call it: `stations.tamp.press_timeout`,
    `lanes.2.germ.timeout`, `lanes.2.infeed_mm`; lanes by id, runs and transfers by name."""
    if path[0] != "lanes":
        return ".".join(map(str, path))
    lane = site.file.lanes[int(path[1])]
    if len(path) == 3:
        return f"lanes.{lane.id}.{path[2]}"
    joint = (lane.runs if path[2] == "runs" else lane.transfers)[int(path[3])]
    return f"lanes.{lane.id}.{joint.name}.{path[4]}"


def planned(folder: Path, site: Site, values: Mapping[TreePath, Any]) -> FileEdit:
    """The site's own site.yaml with those values. Raises UsageError if the place cannot be found,
    SiteError if the files are wrong by now."""
    path = folder / "site.yaml"
    before = text_of(path)
    if not values:
        return FileEdit(path, before, before)
    tree = site_tree(folder)
    by_hand = f"{path}: the place cannot be found; write by hand: " + ", ".join(
        f"{spoken(site, place)}: {value}" for place, value in values.items()
    )

    def change(data: CommentedMap) -> None:
        for place, value in values.items():
            set_value(data, tree, place, value)

    return FileEdit(path, before, edited(before, change, by_hand))


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


def written(folder: Path, edit: FileEdit) -> str:
    """Make the change, if it is one; the digest of the site as it is then.

    Raises Unreachable, UsageError as `FileEdit.write` does, LinectlError if the site would be
    wrong with it: then the file is as it was.
    """
    if edit.diff:
        edit.write()
    reading = read_site(folder)
    if reading.site is None:
        if edit.diff:
            FileEdit(edit.path, edit.after, edit.before).write()
        raise LinectlError(f"nothing is written, it would be wrong: {reading.errors[0]}")
    return reading.site.digest


def recorded(
    folder: Path, kind: str, changes: Mapping[str, tuple[str, str]], who: Signed, digest: str
) -> None:
    """A row of changes.csv for each value: by what it is called, (old, new)."""
    for what, (old, new) in changes.items():
        append_change(
            folder,
            ChangeMade(who.at, kind, what, old, new, who.why, who.by, "", digest, __version__),
        )


def planned_undo(folder: Path, ours: Ours) -> FileEdit:
    """site.yaml as it was before the last change of that kind.

    Raises UsageError if that was not the last thing that was written into it.
    """
    edit = undoing(folder / "site.yaml")
    changes, _ = read_changes(folder)
    last = changes[-1] if changes else None
    if last is None or not ours(last) or last.site_digest != load_site(folder).digest:
        said = f"{last.kind} {last.what} by {last.by}, {last.at}" if last else "nothing on record"
        raise UsageError(
            f"{edit.path}: this was not the last that was written into it (last: {said}); what"
            " stands beside it is not the file from before. Nothing is taken back"
        )
    return edit


def undo(folder: Path, edit: FileEdit, who: Signed, ours: Ours) -> None:
    """Put the file back, and a row for each value that goes back with it."""
    changes, _ = read_changes(folder)
    digest = changes[-1].site_digest
    gone = [one for one in changes if ours(one) and one.site_digest == digest]
    edit.write()
    after = load_site(folder).digest
    recorded(folder, "undo", {one.what: (one.new, one.old) for one in gone}, who, after)
