"""The whole list of commissioning: every item as it stands, what is next, what may start."""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from linectl.commission.check_site import check_site
from linectl.commission.device_record import unconfirmed
from linectl.commission.readiness.calibrated import calibration_items
from linectl.commission.readiness.items import MODES, STAGES, Item
from linectl.commission.readiness.kernel_clock import clock_is_kept
from linectl.commission.readiness.points import point_items
from linectl.commission.readiness.proofs import proof_items
from linectl.commission.readiness.questions import question_items, watchdog_items
from linectl.commission.readiness.record import FILE, Acts, read_acts
from linectl.commission.readiness.running import running_items
from linectl.commission.readiness.seen import Seen, fact, named
from linectl.errors import Finding, SiteError
from linectl.site.model import Site


@dataclass(frozen=True)
class CommissionList:
    """The list of one site at one moment."""

    site: Site
    folder: str
    items: tuple[Item, ...]
    """In the order of the stages."""
    acts: Acts
    unreadable: tuple[Finding, ...] = ()
    """Rows of the record that count for nothing."""

    def missing(self, mode: str) -> list[Item]:
        """What that mode still waits for."""
        wanted = MODES[mode]
        return [item for item in self.items if item.needed_for in wanted and not item.done]

    def kept_missing(self, mode: str) -> list[Item]:
        """The same without what only a running controller can tell."""
        return [item for item in self.missing(mode) if not item.live]

    @property
    def ready(self) -> bool:
        """The line may start in production: all is done that it waits for, or overridden."""
        return not self.missing("production")

    @property
    def left(self) -> list[Item]:
        """What is neither done nor overridden, in order."""
        return [item for item in self.items if not item.done]

    @property
    def overridden(self) -> list[Item]:
        """What a person answers for instead."""
        return [item for item in self.items if item.override is not None and not item.ok]

    def item(self, name: str) -> Item | None:
        return next((item for item in self.items if item.name == name), None)

    def barred(self, *, before_start: bool) -> dict[str, str]:
        """Mode → why a controller refuses it; without one that it takes.

        What only the controller can tell is left out before its start, for nobody knows it, and
        once the first hour is signed: then a force or a bypass is a matter of the day's work, and
        a silent device holds what needs it.
        """
        hour = self.item("first_hour")
        kept_only = before_start or (hour is not None and hour.ok)
        told = {}
        for mode in MODES:
            if missing := self.kept_missing(mode) if kept_only else self.missing(mode):
                first, count = missing[0], len(missing)
                told[mode] = (
                    f"{count} item{'s' if count > 1 else ''} of commissioning open, next"
                    f" {first.name}: {first.why}; linectl commission {self.folder} lists them"
                )
        return told

    def overrides(self) -> tuple[str, ...]:
        """Who overrides what until when, for every screen."""
        told = []
        for item in self.overridden:
            assert item.override is not None
            act = item.override
            told.append(
                f"overridden by {act.by}: {item.name} until {act.until[:16]} ({act.remark})"
            )
        return tuple(told)

    def as_json(self) -> dict[str, Any]:
        """The object of `commission --json`.

        site, ready (production may start: every item that it waits for is ok or overridden),
        items (see `Item.as_json`); beside them done (every item is, the first hour too), release
        (mode → why it is refused; empty: both may be chosen), next (the item to take up, or null),
        overrides (a sentence each), unreadable (rows of signed.csv that count for nothing),
        site_digest.
        """
        left = self.left
        return {
            "site": self.site.name, "ready": self.ready,
            "items": [item.as_json() for item in self.items],
            "done": not left, "release": self.barred(before_start=False),
            "next": left[0].name if left else None, "overrides": list(self.overrides()),
            "unreadable": [str(finding) for finding in self.unreadable],
            "site_digest": self.site.digest,
        }  # fmt: skip


def commission_list(
    folder: Path,
    status: Mapping[str, Any] | None,
    now: dt.datetime,
    clock_kept: bool | None = None,
) -> CommissionList:
    """The list of the site in `folder`, from its files and records and the controller's status.

    status: None while no controller runs. now: with the zone. clock_kept: instead of what the
    kernel says. Raises SiteError if the files cannot be read as a site.
    """
    kept = KeptItems(folder, now, clock_is_kept() if clock_kept is None else clock_kept)
    return kept.whole(status, now)


class KeptItems:
    """The items that files and records tell, looked at once; the controller's come on top."""

    def __init__(self, folder: Path, now: dt.datetime, clock_kept: bool | None) -> None:
        """Raises SiteError if the files cannot be read as a site."""
        report = check_site(folder)
        if report.site is None:
            raise SiteError(report.errors)
        acts = read_acts(Path(report.site.folder))
        self._seen = Seen(report.site, str(folder), report.errors, acts, now, clock_kept)
        self._items = [
            _checked(self._seen),
            _confirmed(self._seen),
            _readable(self._seen),
            *question_items(self._seen),
            *point_items(self._seen),
            *watchdog_items(self._seen),
            *proof_items(self._seen),
            *calibration_items(self._seen),
        ]
        ends = [act.ends for act in acts.rows if act.until and act.ends > now]
        self.good_until = min(ends, default=None)
        """When an override ends, so that the items must be looked at anew."""

    def whole(self, status: Mapping[str, Any] | None, now: dt.datetime) -> CommissionList:
        """The list with what the controller says."""
        seen = self._seen
        items = [*running_items(seen, status), *self._items]
        order = list(STAGES)
        listed = sorted(items, key=lambda item: (order.index(item.stage), _rank(item)))
        return CommissionList(
            seen.site,
            seen.folder,
            tuple(_with_override(item, seen.acts, now) for item in listed),
            seen.acts,
            seen.acts.unreadable,
        )


def _checked(seen: Seen) -> Item:
    lacks = [f"{finding.file}:{finding.line} {finding.key}" for finding in seen.errors]
    why = f"{len(lacks)} errors: {named(lacks)}" if lacks else "no error"
    text = "the site's files are without errors"
    return fact("site_check", "power_on", text, lacks, why, f"linectl check {seen.folder}")


def _confirmed(seen: Seen) -> Item:
    """No replacement is begun and not confirmed: nobody knows yet what such a device would do."""
    lacks = unconfirmed(seen.site)
    text = "every replaced device has been read back against the record"
    do = f"linectl replace {seen.folder} DEVICE"
    why = "; ".join(lacks) if lacks else "no replacement is open"
    return fact("devices_confirmed", "power_on", text, lacks, why, do)


def _readable(seen: Seen) -> Item:
    """A row of signatures that nobody can read may have taken one of them back."""
    lacks = [f"{one.file}:{one.line} {one.key}: {one.message}" for one in seen.acts.unreadable]
    text = "every row of what was signed can be read"
    why = f"{named(lacks)}: put {FILE} back from a copy" if lacks else "all can be read"
    do = f"linectl commission {seen.folder} --all"
    return fact("signatures_readable", "power_on", text, lacks, why, do)


def _rank(item: Item) -> int:
    """Within a stage: files and questions before the controller, what follows a start last."""
    late = ("no_force", "no_bypass", "area_clear")
    after = ("dry_cycle_seen", "field_tests", "first_gutter", "first_hour")
    if item.name in after:
        return 3 + after.index(item.name)
    return 2 if item.name in late else 1 if item.live else 0


def _with_override(item: Item, acts: Acts, now: dt.datetime) -> Item:
    """An override counts for an item that may have one, in its time, for what was wrong then."""
    act = acts.override(item.name)
    if item.ok or act is None or not item.may_be_overridden or not act.stands(now):
        return item
    if new := _uncovered(item.lacks, act.covered):
        why = f"{item.why}; not covered by the override of {act.by}: {named(new)}"
        return replace(item, why=why)
    return replace(item, override=act)


def _uncovered(lacks: Sequence[str], covered: frozenset[str]) -> list[str]:
    return [name for name in lacks if name not in covered]
