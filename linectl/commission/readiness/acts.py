"""What people do to the list of commissioning: sign an item, override one, take either back."""

from __future__ import annotations

import datetime as dt
from pathlib import Path

from linectl import __version__
from linectl.commission.readiness.items import Item
from linectl.commission.readiness.listing import CommissionList
from linectl.commission.readiness.points import watchdog_limit_ms
from linectl.commission.readiness.record import (
    BETWEEN,
    OVERRIDE,
    OVERRIDE_MOST_MS,
    SIGN,
    WITHDRAW,
    Act,
    append_act,
    of_items,
)
from linectl.errors import UsageError
from linectl.site.complaints import nearest
from linectl.site.durations import format_duration

NAME_MAX, WHY_MAX = 200, 500
_AFTER = {
    "dry_cycle_seen": ("dry_cycle", "the line has not been free to run in dry cycle"),
    "first_gutter": ("production", "the line has not been free to start in production"),
    "first_hour": ("production", "the line has not been free to start in production"),
}
"""What can be signed only when a mode is free: the mode, and why not before."""


def item_of(listed: CommissionList, name: str) -> Item:
    """The item of that name. Raises UsageError with the nearest one."""
    item = listed.item(name)
    if item is None:
        hint = nearest(name, [one.name for one in listed.items])
        hint = hint or f"linectl commission {listed.folder} --all lists them"
        raise UsageError(f"no item of the list is called {name!r}; {hint}")
    return item


def may_sign(listed: CommissionList, name: str, measured_ms: int | None) -> Item:
    """The item if it can be signed now. Raises UsageError if not."""
    item = item_of(listed, name)
    if item.kind == "fact":
        do = f": {item.do}" if item.do else ""
        raise UsageError(f"{name} is a fact that linectl checks itself; nobody signs it{do}")
    mode, why = _AFTER.get(name, ("", ""))
    if mode and (missing := listed.kept_missing(mode)):
        raise UsageError(f"{name} cannot be signed yet: {why}; next is {missing[0].name}")
    first = listed.item("first_gutter")
    if name == "first_hour" and first is not None and not first.done:
        raise UsageError("first_hour cannot be signed before first_gutter")
    _may_measure(listed, item, measured_ms)
    return item


def sign(
    listed: CommissionList,
    name: str,
    at: dt.datetime,
    *,
    by: str,
    witness: str = "",
    remark: str = "",
    measured_ms: int | None = None,
) -> Act:
    """Keep that `by` signs the item's text. Raises UsageError, Unreachable, LinectlError."""
    item = may_sign(listed, name, measured_ms)
    who, seen_by = _name(by), _words(witness, NAME_MAX)
    if seen_by.casefold() == who.casefold():
        raise UsageError("the witness must be another person than who signs")
    measured = "" if measured_ms is None else str(measured_ms)
    act = _act(
        listed, item, SIGN, at, text=item.text, by=who, witness=seen_by,
        remark=_words(remark, WHY_MAX), measured_ms=measured, rests_on=item.rests_on,
    )  # fmt: skip
    append_act(Path(listed.site.folder), act)
    return act


def may_override(listed: CommissionList, name: str, for_ms: int) -> Item:
    """The item if it can be overridden now. Raises UsageError if not."""
    item = item_of(listed, name)
    if not item.may_be_overridden:
        raise UsageError(
            f"{name} is overridden by nobody, as emergency stops, guards, watchdogs, the start"
            f" warning, local codes and what keeps people out of reach are{_forward(item)}"
        )
    if item.ok:
        raise UsageError(f"{name} is done ({item.why}): there is nothing to override")
    if not 0 < for_ms <= OVERRIDE_MOST_MS:
        most = format_duration(OVERRIDE_MOST_MS)
        raise UsageError(f"an override lasts {most} at most; say --for DURATION within it")
    return item


def override(
    listed: CommissionList, name: str, at: dt.datetime, *, by: str, why: str, for_ms: int,
    witness: str = "",
) -> Act:  # fmt: skip
    """Keep that `by` answers for the item as it is, for a time. What is missing now is covered,
    what is missing later is not. Raises UsageError, Unreachable, LinectlError."""
    item = may_override(listed, name, for_ms)
    who, reason = _name(by), _words(why, WHY_MAX)
    if not reason:
        raise UsageError("an override needs its reason: --why TEXT")
    until = at + dt.timedelta(milliseconds=for_ms)
    act = _act(
        listed, item, OVERRIDE, at, text=item.why, by=who, witness=_words(witness, NAME_MAX),
        remark=reason, until=until.isoformat(timespec="seconds"),
        covers=of_items([one.replace(BETWEEN, " ") for one in item.lacks]),
    )  # fmt: skip
    append_act(Path(listed.site.folder), act)
    return act


def withdraw(listed: CommissionList, name: str, at: dt.datetime, *, by: str, why: str = "") -> Act:
    """Keep that `by` takes back what was signed or overridden. Raises UsageError, Unreachable."""
    item = item_of(listed, name)
    if listed.acts.signature(name) is None and listed.acts.override(name) is None:
        raise UsageError(f"{name} is neither signed nor overridden: there is nothing to take back")
    act = _act(
        listed, item, WITHDRAW, at, text=item.text, by=_name(by), remark=_words(why, WHY_MAX)
    )
    append_act(Path(listed.site.folder), act)
    return act


def _may_measure(listed: CommissionList, item: Item, measured_ms: int | None) -> None:
    """A watchdog's proof has its time, and within its limit; nothing else has one."""
    stage, _, device = item.name.partition(".")
    if stage != "watchdog":
        if measured_ms is not None:
            raise UsageError(f"--measured belongs to a watchdog's proof, not to {item.name}")
        return
    if measured_ms is None:
        raise UsageError(
            f"{item.name} needs the time that was measured, from the loss of the connection until"
            " the output dropped: --measured 850ms"
        )
    limit_ms = watchdog_limit_ms(listed.site, device)
    if measured_ms > limit_ms:
        measured, limit = format_duration(measured_ms), format_duration(limit_ms)
        raise UsageError(
            f"{measured} is longer than the {limit} that its zone allows: {device} must not drive"
            " anything. Set its watchdog right and prove it anew. Nothing was signed."
        )


def _forward(item: Item) -> str:
    return f". What brings it forward: {item.do}" if item.do else ""


def _act(
    listed: CommissionList, item: Item, act: str, at: dt.datetime, *, text: str, by: str,
    witness: str = "", remark: str = "", measured_ms: str = "", until: str = "", covers: str = "",
    rests_on: str = "",
) -> Act:  # fmt: skip
    return Act(
        at.isoformat(timespec="seconds"), item.name, act, text, by, witness, remark, measured_ms,
        until, covers, rests_on, listed.site.digest[:12], __version__,
    )  # fmt: skip


def _name(by: str) -> str:
    name = _words(by, NAME_MAX)
    if not name:
        raise UsageError("say who answers for it: --by NAME")
    return name


def _words(text: str, most: int) -> str:
    words = " ".join(text.split())
    if len(words) > most:
        raise UsageError(f"{words[:20]}… is too long: {most} letters at most")
    return words
