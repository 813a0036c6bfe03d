"""A timer or dose tuned: in the site's file and in the running controller, or in neither."""

from __future__ import annotations

import json
from collections.abc import Sequence
from pathlib import Path
from typing import Any

from ruamel.yaml.comments import CommentedMap

from linectl.commission.calibrate.site_values import set_value, site_tree
from linectl.commission.changes_record import ChangeMade
from linectl.commission.controller import Commanded
from linectl.commission.file_edit import FileEdit, text_of
from linectl.commission.site_change import SiteChange, Words, make, tried
from linectl.commission.yaml_edit import edited, put
from linectl.errors import LinectlError, UsageError
from linectl.site.model import Site
from linectl.site.sheet import TreePath
from linectl.site.tunable import tunables, tuned

FILES = {"stations": "site.yaml", "lanes": "site.yaml", "crops": "crops.yaml",
         "calibration": "calibration.yaml"}  # fmt: skip


def file_of(path: str) -> str:
    """The file that a tunable path stands in."""
    return FILES.get(path.partition(".")[0], "site.yaml")


def tuning_of(site: Site, path: str, text: str, running: bool) -> SiteChange:
    """The site with that value in its own file, comments kept; nothing is written yet.

    running: its controller judges the bounds, which are reckoned from what it started with. Raises
    UsageError for what cannot be tuned, or must be written by hand; SiteError for what check says.
    """
    found = tunables(site)
    if path in found and found[path].kind == "entry":
        raise UsageError(f"{path} is measured, not tuned: linectl calibrate writes it")
    base = _unbounded(site) if running else site
    after = tuned(site, base, path, text)
    value = tunables(after)[path]
    if value == found[path]:
        raise UsageError(f"{path} is {value.text} already")
    edit = _edit(site, path, value.text if value.kind == "timer" else json.loads(value.text))
    change = tried(site, edit)
    if change.after.digest != after.digest:
        raise UsageError(_by_hand(edit.path, path, value.text))
    return change


def tune_both(
    change: SiteChange, words: Words, controller: Commanded | None
) -> tuple[ChangeMade, bool]:
    """The change made in the running controller, then in the file and in changes.csv.

    controller: None if none runs. Returns the row, and whether a controller has it too. If one of
    them cannot be changed, none is. Raises UsageError if the controller refuses or runs with other
    files, Unreachable, LinectlError.
    """
    if controller is None:
        return make(change, words), False
    _refuse_others(controller, change.before)
    value = tunables(change.after)[words.what].text
    why = controller.command("tune", f"{words.what} {value}", words.by)
    if why is not None:
        raise UsageError(f"the running controller refuses: {why}. Nothing is changed")
    try:
        digest = controller.look(-1).site_digest
        if digest != change.after.digest:
            raise LinectlError("the running controller has understood something else")
        return make(change, words), True
    except LinectlError as error:
        _take_back(controller, change, words, error)
        raise


def _refuse_others(controller: Commanded, before: Site) -> None:
    if controller.look(-1).site_digest != before.digest:
        raise UsageError(
            "the running controller was started with other files than these: what is tuned would"
            " mean something else to it. Start it anew first, when the line may stand. Nothing is"
            " changed"
        )


def _take_back(
    controller: Commanded, change: SiteChange, words: Words, error: LinectlError
) -> None:
    """The controller has the old value again. Raises LinectlError if it has not."""
    old = tunables(change.before)[words.what].text
    try:
        why = controller.command("tune", f"{words.what} {old}", words.by)
    except LinectlError as other:
        why = str(other)
    if why is not None:
        raise LinectlError(
            f"{error}\nThe file is as it was, but the running controller has {words.what} with"
            f" {tunables(change.after)[words.what].text} and does not take it back: {why}. It has"
            f" the file's {old} when it is started anew"
        ) from error


def _unbounded(site: Site) -> Site:
    """A base whose bounds let everything pass that the schema does."""
    every = {
        path: {"least": 0.0, "most": float(2**62)}
        for path, found in tunables(site).items()
        if found.kind != "entry"
    }
    tuning = type(site.file.tuning).model_validate({"bounds": every})
    return site.model_copy(update={"file": site.file.model_copy(update={"tuning": tuning})})


# the file ----------------------------------------------------------------------------------------


def _edit(site: Site, path: str, value: Any) -> FileEdit:
    folder = Path(site.folder)
    file = folder / file_of(path)
    keys = _keys(site, path)
    before = text_of(file)

    def change(data: CommentedMap) -> None:
        if file.name == "site.yaml":
            set_value(data, site_tree(folder), keys, value)
        else:
            put(data, [str(key) for key in keys], value)

    if not before.strip():
        return FileEdit(file, before, _nested(keys, value))
    return FileEdit(file, before, edited(before, change, _by_hand(file, path, value)))


def _keys(site: Site, path: str) -> TreePath:
    """The keys of a path in its file; lanes, runs and transfers are lists there."""
    parts = path.split(".")
    if parts[0] == "calibration":
        return tuple(parts[1:])
    if parts[0] != "lanes":
        return tuple(parts)
    numbers = [str(lane.id) for lane in site.file.lanes]
    number = numbers.index(parts[1])
    lane = site.file.lanes[number]
    runs = [run.name for run in lane.runs]
    if parts[2] in runs:
        return "lanes", number, "runs", runs.index(parts[2]), "timeout"
    joints = [transfer.name for transfer in lane.transfers]
    return "lanes", number, "transfers", joints.index(parts[2]), "timeout"


def _by_hand(file: Path, path: str, value: Any) -> str:
    return (
        f"{file}: {path} cannot be changed there as the file is spelt: write {value} by hand while"
        " the line stands, then linectl check"
    )


def _nested(keys: Sequence[str | int], value: Any) -> str:
    lines = [f"{'  ' * depth}{key}:" for depth, key in enumerate(keys)]
    return "\n".join(lines) + f" {value}\n"
