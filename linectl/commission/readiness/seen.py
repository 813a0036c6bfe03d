"""What a look at a site saw that the items are judged by: files, records, clocks."""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from linectl.commission.readiness.items import Item, NeededFor, Stage
from linectl.commission.readiness.record import Acts
from linectl.errors import Finding
from linectl.site.model import Site

_NAMED = 4
"""Names that one line of the list gives; the others are counted."""


@dataclass(frozen=True)
class Seen:
    """One look."""

    site: Site
    folder: str
    """The site's folder as commands name it."""
    errors: tuple[Finding, ...]
    acts: Acts
    now: dt.datetime
    """With the zone."""
    clock_kept: bool | None
    """The kernel says that its clock is synchronised; None: it does not say."""

    @property
    def path(self) -> Path:
        return Path(self.site.folder)


def fact(
    name: str,
    stage: Stage,
    text: str,
    lacks: Sequence[str],
    why: str,
    do: str = "",
    needed_for: NeededFor = "dry_cycle",
) -> Item:
    """A fact that is so when nothing is missing; `why` then says what was seen."""
    left = tuple(lacks)
    return Item(name, stage, "fact", text, not left, why, "" if not left else do, needed_for, left)


def signature(
    seen: Seen,
    name: str,
    stage: Stage,
    text: str,
    rests_on: str,
    needed_for: NeededFor = "dry_cycle",
    fallen: str = "",
    more: str = "",
) -> Item:
    """A question that a person signs. `fallen`: why the last signature counts no longer;
    `more`: options that signing it needs."""
    act = seen.acts.signature(name)
    do = f"linectl commission {seen.folder} --sign {name}{more} --by NAME"
    if act is None:
        return Item(
            name, stage, "signed", text, False, "not signed", do, needed_for, ("signature",),
            rests_on,
        )  # fmt: skip
    who = f"signed by {act.by} on {act.at[:10]}"
    if act.rests_on != rests_on:
        fallen = fallen or "what it rests on has changed since"
    if fallen:
        why = f"{who}, but {fallen}"
        return Item(
            name, stage, "signed", text, False, why, do, needed_for, ("signature",), rests_on
        )
    why = f"{who}, witness {act.witness}" if act.witness else who
    if act.measured_ms:
        why += f", measured {act.measured_ms} ms"
    return Item(
        name, stage, "signed", text, True, why, needed_for=needed_for, rests_on=rests_on, signed=act
    )


def named(names: Sequence[str]) -> str:
    """A few of the names, and how many more there are."""
    more = len(names) - _NAMED
    return ", ".join(names[:_NAMED]) + (f" and {more} more" if more > 0 else "")
