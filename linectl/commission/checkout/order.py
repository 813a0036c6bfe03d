"""In which order a site's points are checked out, and which of them a person has asked for."""

from __future__ import annotations

from collections.abc import Collection, Sequence

from linectl.commission.checkout.facts import WARNERS, Facts, Item
from linectl.commission.checkout.record import CheckoutStanding
from linectl.errors import UsageError
from linectl.site.complaints import nearest
from linectl.site.model import Site

FIRST = ("estop_ok", "closed", "enabling", "safety_reset", "interlock_reset", "remote_selected")
"""Inputs that protect whoever tries the rest."""


def in_order(facts: Facts) -> tuple[str, ...]:
    """Every tag, zone by zone: what protects people, the warning, inputs, numbers, outputs.

    Inputs that are tried with their output come where that stands.
    """
    zones = list(facts.site.file.zones)
    made = [one for one in facts.items.values() if facts.tried_with(one.tag) is None]
    made.sort(key=lambda one: (zones.index(one.zone), _phase(one), one.point.index))
    return tuple(item.tag for item in made)


def _phase(item: Item) -> tuple[int, int]:
    if item.role in FIRST:
        return 0, FIRST.index(item.role)
    if item.role in WARNERS:
        return 1, 0
    kinds = ("input", "analogue", "counter", "set-point", "output")
    return 2 + kinds.index(item.kind), 0


def chosen(
    standing: CheckoutStanding, facts: Facts, only: Sequence[str], again: bool
) -> tuple[str, ...]:
    """The tags to try now: not passed (with `again`: all), of the tags, parts and devices named.

    Raises UsageError for a name that is none.
    """
    wanted = named(facts.site, facts, only)
    passed = {one.point.tag for one in standing.of("passed")}
    tags = [tag for tag in wanted if again or tag not in passed]
    due = {facts.tried_with(tag) or tag for tag in tags}
    return tuple(tag for tag in in_order(facts) if tag in due)


def named(site: Site, facts: Facts, only: Sequence[str]) -> Collection[str]:
    """Tags of the tags, stations, lanes, zones and devices named; all for none."""
    if not only:
        return tuple(facts.items)
    parts: dict[str, list[str]] = {}
    for item in facts.items.values():
        lane = item.part.split(".")[0]
        for name in {item.tag, item.part, lane, item.zone, item.point.device}:
            parts.setdefault(name, []).append(item.tag)
    found: dict[str, None] = {}
    for name in only:
        if name not in parts:
            hint = nearest(name, parts) or f"see linectl checkout {site.folder} --list"
            raise UsageError(
                f"--only {name!r} is no tag, station, lane, zone or device here; {hint}"
            )
        found |= dict.fromkeys(parts[name])
    return found
