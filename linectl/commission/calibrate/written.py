"""The end of a round: the change of calibration.yaml shown, made, put on record, or undone."""

from __future__ import annotations

import datetime as dt
import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from linectl import __version__
from linectl.commission.calibrate.record import (
    Calibrated,
    append_calibration,
    read_calibrations,
)
from linectl.commission.calibrate.work import Outcome, Said, Work
from linectl.commission.changes_record import ChangeMade, append_change, read_changes
from linectl.commission.file_edit import FileEdit, text_of, undoing
from linectl.commission.person import yes_or_no
from linectl.commission.yaml_edit import edited, put, spelt
from linectl.errors import Finding, NoController, SiteError, UsageError
from linectl.site.load import load_site
from linectl.site.model import Site
from linectl.site.sheet import read_yaml

FILE = "calibration.yaml"
HEAD = "# What commissioning measured; written by linectl calibrate, comments are kept.\n"

Keys = tuple[str, ...]
"""The way to a value: ("drum", "crops", "rocket")."""


@dataclass(frozen=True)
class Entry:
    """What a round wants written: values by the keys on the way to them."""

    what: str
    values: Mapping[Keys, Any]
    tuned: Sequence[str]
    """Entries that a running controller is told live: `doser`, `drives.fill.doser_rate`."""

    @property
    def told(self) -> dict[str, Any]:
        """By key, as `old` and `new` of the outcome show them."""
        return {".".join(keys): _plain(value) for keys, value in self.values.items()}


def planned(folder: Path, entry: Entry) -> FileEdit:
    """The change of the site's own calibration.yaml.

    Raises UsageError if the place for it cannot be found in the file as it is spelt.
    """
    path = folder / FILE
    before = text_of(path)
    text = before or HEAD
    missing = {keys[0] for keys in entry.values} - _top_keys(path)
    fresh: dict[str, Any] = {}
    for keys, value in entry.values.items():
        if keys[0] in missing:
            _nest(fresh, keys, value)
    kept = {keys: value for keys, value in entry.values.items() if keys[0] not in missing}
    if kept:

        def change(data: Any) -> None:
            for keys, value in kept.items():
                put(data, keys, _own(value))

        told = ", ".join(f"{'.'.join(keys)}: {_plain(value)}" for keys, value in kept.items())
        text = edited(text, change, f"{path}: the place for it cannot be found; by hand: {told}")
    if fresh:
        text = text if text.endswith("\n") else text + "\n"
        text += spelt(fresh)
    return FileEdit(path, before, text)


def old_values(site: Site, entry: Entry) -> dict[str, Any]:
    """What the site says by the same keys; None where it says nothing."""
    tree = site.calibration.model_dump(by_alias=True)
    found: dict[str, Any] = {}
    for keys in entry.values:
        at: Any = tree
        for key in keys:
            at = at.get(key) if isinstance(at, dict) else None
        found[".".join(keys)] = _plain(at)
    return found


def concluded(work: Work, row: Calibrated, entry: Entry, told: Mapping[str, Any]) -> Outcome:
    """Show the change, make it if the person wants it, and put the round on record."""
    old = old_values(work.site, entry)
    said = {k: v for k, v in entry.values.items() if v not in ("", None) or old[".".join(k)]}
    entry = replace(entry, values=said)  # nothing is written where nothing was said and is said
    old, new = {key: old[key] for key in entry.told}, entry.told
    row = replace(row, old=_in_words(old), new=_in_words(new))
    edit = planned(work.folder, entry)
    work.say("\nThe change (comments stay as they are: look whether they are still right):")
    work.say(edit.diff)
    if not yes_or_no(work.person, "  write it, yes or no: "):
        append_calibration(work.folder, replace(row, result="left"))
        work.say("nothing is written; the measurement is on record")
        return Outcome(row.what, "left", "", old, new, told)
    site = _made(edit, work.folder)
    row = replace(row, result="written", site_digest=site.digest[:12])
    append_calibration(work.folder, row)
    _change(work, "calibrate", entry.what, row.old, row.new, row.as_found, site)
    work.say(f"written; as it was before: {FILE}.previous (--undo puts it back)")
    _told_live(work, site, entry.tuned)
    return Outcome(row.what, "written", "", old, new, told)


def refused(work: Work, row: Calibrated, why: str, told: Mapping[str, Any]) -> Outcome:
    """Put a round on record that did not stand."""
    append_calibration(work.folder, replace(row, result="refused", why=why))
    work.say(f"\nREFUSED: {why}. Nothing is written; the runs are on record")
    return Outcome(row.what, "refused", why, None, None, told)


def undone(work: Work, what: str) -> Outcome:
    """Put the file from before the last round back. Raises UsageError if that is not WHAT's, or if
    the site's files were changed since: what is kept beside it is not the file from before then."""
    rows, _ = read_calibrations(work.folder)
    changed = [row for row in rows if row.result in ("written", "undone")]
    if not changed or changed[-1].result == "undone":
        raise UsageError(f"no calibration of {what} has been written that could be undone")
    last = changed[-1]
    if last.what != what:
        raise UsageError(f"the last one written was of {last.what}: undo that one first")
    if not _is_last_there(work, last.site_digest):
        raise UsageError(
            f"the site's files were changed since {last.what} was calibrated by {last.by},"
            f" {last.at}: {FILE}.previous need not be the file from before. Put"
            f" {last.old or 'nothing'} back by hand, or with linectl tune; nothing is changed"
        )
    edit = undoing(work.folder / FILE)
    work.say(edit.diff)
    if not yes_or_no(work.person, "  put it back, yes or no: "):
        return Outcome(what, "left")
    site = _made(edit, work.folder)
    row = new_row(work, what)
    row = replace(row, result="undone", old=last.new, new=last.old, site_digest=site.digest[:12])
    append_calibration(work.folder, row)
    _change(work, "undo", what, last.new, last.old, "calibration put back", site)
    work.say("put back")
    _told_live(work, site, [entry for entry in _entries(site, what) if _plain_of(site, entry)])
    return Outcome(what, "undone")


def _is_last_there(work: Work, digest: str) -> bool:
    """Nothing was written into the file since: what stands beside it is the file from before."""
    changes, _ = read_changes(work.folder)
    mine = [one for one in changes if one.what.startswith("calibration")]
    return (
        bool(mine)
        and mine[-1].kind == "calibrate"
        and load_site(work.folder).digest[:12] == digest == mine[-1].site_digest[:12]
    )


def new_row(work: Work, what: str) -> Calibrated:
    """A row with what is known before anything is measured."""
    empty = dict.fromkeys((field for field in Calibrated.__dataclass_fields__), "")
    return Calibrated(
        **empty
        | {
            "at": work.terms.now().isoformat(timespec="seconds"),
            "what": what,
            "instrument": work.terms.instrument,
            "by": work.terms.by,
            "site_digest": work.site.digest[:12],
            "version": __version__,
        }
    )


def measured_keys(work: Work, said: Said) -> dict[str, Any]:
    """Who, when, until when, with which lot: the keys beside every measured figure."""
    return {
        "by": work.terms.by,
        "on": work.terms.now().date(),
        "valid_until": said.valid_until,
        "with": said.lot,
    }


def _made(edit: FileEdit, folder: Path) -> Site:
    """Write it, and put it back if the site does not stand with it; the site as it is then."""
    edit.write()
    try:
        return load_site(folder)
    except SiteError as error:
        FileEdit(edit.path, edit.after, edit.before).write()
        raise UsageError(f"with it the site would be wrong, so it is put back: {error}") from None


def _change(work: Work, kind: str, what: str, old: str, new: str, why: str, site: Site) -> None:
    at = work.terms.now().isoformat(timespec="seconds")
    change = ChangeMade(
        at,
        kind,
        f"calibration.{what}",
        old,
        new,
        why,
        work.terms.by,
        "",
        site.digest[:12],
        __version__,
    )
    append_change(work.folder, change)


def _told_live(work: Work, site: Site, entries: Sequence[str]) -> None:
    """Offer it to the running controller, which else works with it when started anew."""
    if not yes_or_no(work.person, "  tell the running controller too, yes or no: "):
        work.say("it works with the new values when it is started anew")
        return
    for entry in entries:
        told = f"calibration.{entry} {json.dumps(_plain_of(site, entry), ensure_ascii=False)}"
        try:
            why = work.controller.command("tune", told, work.terms.by)
        except NoController as error:
            why = str(error)
        if why is not None:
            work.say(
                f"the running controller keeps the old values ({why}); it works with the new ones"
                " when it is started anew"
            )
            return
    if work.controller.look(-1).site_digest == site.digest:
        work.say("the running controller works with them from the next gutter on")
    else:
        work.say("the running controller does not work with all of them: start it anew")


def _entries(site: Site, what: str) -> list[str]:
    """The entries of calibration.yaml that a WHAT writes."""
    tags = [f"drives.{tag}" for tag in site.calibration.drives if tag.endswith(".doser_rate")]
    return [*tags, what] if what == "doser" else [what]


def _plain_of(site: Site, entry: str) -> Any:
    """What an entry says, as plain data; None if there is none."""
    plain = site.calibration.model_dump(mode="json", by_alias=True, exclude_defaults=True)
    first, _, rest = entry.partition(".")
    return plain.get(first, {}).get(rest) if rest else plain.get(first)


# the file ----------------------------------------------------------------------------------------


def _top_keys(path: Path) -> set[str]:
    findings: list[Finding] = []
    tree = read_yaml(path, path.name, findings).value if path.exists() else {}
    return set(tree) if isinstance(tree, dict) else set()


def _nest(into: dict[str, Any], keys: Keys, value: Any) -> None:
    for key in keys[:-1]:
        into = into.setdefault(key, {})
    into[keys[-1]] = _own(value)


def _own(value: Any) -> Any:
    """The value as an object of its own: a date that stands twice would be written as an anchor."""
    return value.replace() if isinstance(value, dt.date) else value


def _plain(value: Any) -> Any:
    return value.isoformat() if isinstance(value, dt.date) else value


def _in_words(values: Mapping[str, Any]) -> str:
    return ", ".join(f"{key} {value}" for key, value in values.items() if value not in (None, ""))
