"""A change of one of a site's own files, tried before it is written: what check would say of it,
what it opens again, and both it and its row in changes.csv made, or neither.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from linectl import __version__
from linectl.commission.changes_record import ChangeMade, append_change, read_changes
from linectl.commission.check_setpoints import set_point_findings
from linectl.commission.checkout.record import checkout_standing, row_of
from linectl.commission.field_record import GOOD, field_standing, rests_on
from linectl.commission.file_edit import FileEdit, undoing
from linectl.commission.prove.kept import FILE as PROOFS
from linectl.commission.prove.kept import kept_outcomes
from linectl.commission.whole_file import write_whole
from linectl.errors import LinectlError, SiteError, UsageError
from linectl.site.approval import differences
from linectl.site.load import read_site
from linectl.site.model import Site


@dataclass(frozen=True)
class SiteChange:
    """A site before and after one edit of one of its own files; nothing is written yet."""

    before: Site
    after: Site
    edit: FileEdit

    @property
    def rows(self) -> tuple[str, ...]:
        """Tags whose row in io.csv says something else of what a checkout tries."""
        was, now = ({p.tag: row_of(p) for p in site.points} for site in (self.before, self.after))
        return tuple(tag for tag in dict.fromkeys((*was, *now)) if was.get(tag) != now.get(tag))


@dataclass(frozen=True)
class Reopened:
    """What must be done anew after a change, because it rests on what has changed."""

    checkouts: tuple[str, ...] = ()
    """Tags that had been tried."""
    field_tests: tuple[str, ...] = ()
    """Causes whose test on the machine had passed."""
    approval: tuple[str, ...] = ()
    """Rows of the approved matrix that differ now."""
    proofs: tuple[str, ...] = ()
    """Causes that were proven on the model, with another matrix than there is now."""

    def __bool__(self) -> bool:
        return bool(self.checkouts or self.field_tests or self.approval or self.proofs)

    def as_json(self) -> dict[str, Any]:
        """checkouts: tags; field_tests and proofs: causes; approval: rows of the matrix."""
        return {
            "checkouts": list(self.checkouts),
            "field_tests": list(self.field_tests),
            "approval": list(self.approval),
            "proofs": list(self.proofs),
        }


@dataclass(frozen=True)
class Words:
    """A change as it is kept: what, from what, to what, why, by whom."""

    kind: str
    what: str
    old: str
    new: str
    why: str
    by: str

    def __post_init__(self) -> None:
        for option, value in (("--why", self.why), ("--by", self.by)):
            if not value.strip():
                raise UsageError(f"also needed: {option}: a change stands under a name, for a why")


def tried(site: Site, edit: FileEdit) -> SiteChange:
    """The site as it would be. Raises SiteError with what check would say of the change."""
    reading = read_site(site.folder, {edit.path.name: edit.data})
    if reading.site is None:
        raise SiteError(reading.errors)
    told = set_point_findings(reading.site, reading.trees, dt.date.today())
    if told.errors:
        raise SiteError(told.errors)
    return SiteChange(site, reading.site, edit)


def reopened(change: SiteChange, today: dt.date) -> Reopened:
    """What the change opens again."""
    tags = set(change.rows)
    tried_tags = {one.point.tag for one in checkout_standing(change.before).points if one.tries}
    order = [point.tag for point in change.after.points]
    resting = rests_on(change.before)
    was = {one.cause: one.state for one in field_standing(change.before, today).causes}
    now = {one.cause: one.state for one in field_standing(change.after, today).causes}
    old = {(one.section, one.row) for one in differences(change.before)}
    new = [one for one in differences(change.after) if (one.section, one.row) not in old]
    return Reopened(
        tuple(tag for tag in order if tag in tags and tag in tried_tags),
        tuple(
            cause
            for cause in was
            if was[cause] in GOOD and (now.get(cause) not in GOOD or resting[cause] & tags)
        ),
        tuple(f"{one.section}.{one.row}" for one in new),
        _unproven(change),
    )


def _unproven(change: SiteChange) -> tuple[str, ...]:
    """Causes whose kept proof on the model counts before the change and not after it."""
    path = Path(change.before.folder) / PROOFS
    kept = kept_outcomes(change.after, path)
    return tuple(cause for cause in kept_outcomes(change.before, path) if cause not in kept)


def make(change: SiteChange, words: Words, tags: Sequence[str] = ()) -> ChangeMade:
    """Writes the file, then its row in changes.csv; tags: whose checkouts are open again.

    If the row cannot be kept the file is put back. Raises Unreachable, LinectlError, UsageError.
    """
    row = record_of(change.after, words, tags)
    change.edit.write()
    try:
        append_change(Path(change.after.folder), row)
    except LinectlError as error:
        put_back(change.edit)
        raise type(error)(f"{error}\n{change.edit.path} is put back as it was") from None
    return row


def undone(site: Site, file: str, kinds: Sequence[str]) -> tuple[SiteChange, ChangeMade]:
    """The change that takes the last one on record back, if it was of that kind and that file.

    Raises UsageError if anything was changed since: one step is taken back, never an older one.
    """
    changes, _ = read_changes(Path(site.folder))
    last = changes[-1] if changes else None
    if last is None or last.kind not in kinds or last.site_digest != site.digest:
        told = "there is none"
        if last is not None:
            told = f"it is {last.kind} {last.what} by {last.by}, {last.at}"
            if last.kind in kinds:
                told += ", and the site's files were changed since"
        raise UsageError(
            f"only the last change on record can be undone, and it must be a {kinds[0]}: {told}"
        )
    return tried(site, undoing(Path(site.folder) / file)), last


def put_back(edit: FileEdit) -> None:
    """The file as it was before the edit. Raises Unreachable."""
    if edit.before:
        write_whole(edit.path, edit.before.encode(edit.encoding))
    else:
        edit.path.unlink(missing_ok=True)


def record_of(after: Site, words: Words, tags: Sequence[str] = ()) -> ChangeMade:
    """The row of changes.csv, at this moment."""
    return ChangeMade(
        at=dt.datetime.now().astimezone().isoformat(timespec="seconds"),
        kind=words.kind,
        what=words.what,
        old=words.old,
        new=words.new,
        why=words.why,
        by=words.by,
        reopens=" ".join(tags),
        site_digest=after.digest,
        version=__version__,
    )


def refuse_unless_stopped(units: Mapping[str, str]) -> None:
    """Wiring changes only while every unit is Stopped. Raises UsageError.

    units: their states as the running controller says them; empty if none runs.
    """
    moving = [f"{name} is {state}" for name, state in units.items() if state != "Stopped"]
    if moving:
        raise UsageError(
            f"wiring changes only in Stopped, and {', '.join(moving)}. Bring the line to Stopped"
            " (linectl command SITE UNIT stop; from Aborted: clear), or end the controller, which"
            " is to be started anew for it in any case. Nothing is changed"
        )
