"""Items that people sign: what no program can see, in the words that are signed."""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence

from linectl.commission.changes_record import ChangeMade, read_changes
from linectl.commission.readiness import rests
from linectl.commission.readiness.items import Item
from linectl.commission.readiness.points import watchdog_limit_ms, watched_devices
from linectl.commission.readiness.seen import Seen, signature
from linectl.site.durations import format_duration

LOCK_OUT = (
    "Everyone who works at this line knows its lock-out: isolate every energy, lock with one's own"
    " lock, dissipate what is stored, try to start it. It has been done once, with each circuit:"
    " {cuts}."
)
CODES = (
    "Local law and codes, the authority that applies them and the machine's own manuals have been"
    " followed: what they ask for is there, and the risk assessment of this machine allows it to be"
    " set in motion."
)
CLOCK = (
    "No network time keeps this computer's clock. I have set it by hand, and it agrees with a known"
    " clock to within a minute."
)
GUARDS = (
    "Every guard ({guards}) is mounted and closes; none can be reached round, and none is tied,"
    " taped or tricked."
)
CLEAR = (
    "I have walked round the whole line, between and under the decks too: no person, no tool and no"
    " loose part is where something moves, and nobody can come there unseen."
)
PEOPLE = (
    "Everyone who may come near has been told: what moves and where, that horn and beacon sound"
    " before it does, {resume}, where the emergency stops are, and whom to call. Untrained people"
    " and children stay outside."
)
DRY_CYCLE = (
    "The line has run in dry cycle with nobody in reach. At least one gutter went through every"
    " station and one into each lane; every motion was watched, and went the right way. An"
    " emergency stop was pressed meanwhile and stopped the whole line, and nothing restarted by"
    " itself."
)
FIRST_GUTTER = (
    "The first gutter was looked at behind every station, from outside the guards: its bed, the"
    " tamping, the water, the seeds, its place in the lane. Nothing was to be put right."
)
FIRST_HOUR = (
    "The first hour of production was watched to its end by people who can stop it. Each wait and"
    " alarm had the reason that was told; nothing ran hot, loose, wet or late that should not."
)
WATCHDOG = (
    "An output of {device} was on. The device was cut off from the controller (the plug of its bus"
    " out; no orderly end of the controller, which switches outputs off itself), its own supply"
    " stayed on, and the output dropped by itself within the time measured. Its watchdog is set to"
    " {set_to}; the zone allows {limit}."
)


def question_items(seen: Seen) -> list[Item]:
    """Every item that people sign, but for the watchdogs'."""
    site = seen.site
    machine = rests.on_machine(site)
    cuts = ", ".join(sorted({p.cut_by for p in site.points if p.cut_by})) or "none is named"
    guards = ", ".join(name for zone in site.file.zones.values() for name in zone.guards)
    limit_ms = site.file.limits.auto_resume.limit_ms
    resume = "that a suspended unit stays suspended until a person starts it"
    if limit_ms:
        for_ = format_duration(limit_ms)
        resume = f"that a unit suspended for no longer than {for_} starts by itself after them"
    return [
        signature(seen, "lock_out", "power_on", LOCK_OUT.format(cuts=cuts), rests.on_cuts(site)),
        signature(seen, "local_codes", "power_on", CODES, machine),
        _clock_set(seen),
        signature(
            seen, "guards_in_place", "first_motion", GUARDS.format(guards=guards or "none"),
            rests.on_guards(site),
        ),
        signature(
            seen, "people_instructed", "first_motion", PEOPLE.format(resume=resume),
            rests.on_resuming(site),
        ),
        signature(seen, "area_clear", "first_motion", CLEAR, machine),
        signature(seen, "dry_cycle_seen", "first_motion", DRY_CYCLE, machine, "production"),
        signature(seen, "first_gutter", "first_gutter", FIRST_GUTTER, machine, ""),
        signature(seen, "first_hour", "first_hour", FIRST_HOUR, machine, ""),
    ]  # fmt: skip


def watchdog_items(seen: Seen) -> list[Item]:
    """One for each device whose outputs must drop by themselves: proven by silence."""
    site = seen.site
    changes, _ = read_changes(seen.path)
    items = []
    for name in watched_devices(site):
        text = WATCHDOG.format(
            device=name,
            set_to=format_duration(site.file.devices[name].watchdog_ms or 0),
            limit=format_duration(watchdog_limit_ms(site, name)),
        )
        items.append(
            signature(
                seen, f"watchdog.{name}", "outputs", text, rests.on_device(site, name),
                fallen=_replaced(seen, name, changes), more=" --measured TIME",
            )
        )  # fmt: skip
    return items


def _clock_set(seen: Seen) -> Item:
    """A fact where the kernel says so; else somebody's word."""
    if seen.clock_kept:
        text = "network time keeps this computer's clock"
        return Item("clock_set", "power_on", "fact", text, True, "the kernel says so")
    return signature(seen, "clock_set", "power_on", CLOCK, rests.on_machine(seen.site))


def _replaced(seen: Seen, device: str, changes: Sequence[ChangeMade]) -> str:
    """Why a signature about that device counts no longer: another one hangs there since."""
    signed = seen.acts.signature(f"watchdog.{device}")
    for change in changes:
        if change.kind == "replace" and change.what == device and signed is not None:
            made, then = (dt.datetime.fromisoformat(one.at) for one in (change, signed))
            if made > then:
                return f"it was replaced by {change.by} on {change.at[:10]}"
    return ""
