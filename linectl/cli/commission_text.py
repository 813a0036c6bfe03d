"""The list of commissioning in words: what is next and why first, then what is left by stage."""

from __future__ import annotations

from collections.abc import Sequence

from rich.text import Text

from linectl.cli.screen import complain, heading, say, table
from linectl.commission.readiness.items import MODES, STAGES, Item
from linectl.commission.readiness.listing import CommissionList

REACH = (
    "Before anyone reaches in: isolate, lock, dissipate, try. A stop on a screen is not lock-out."
    " Local codes come first."
)
WATCHDOG_STEPS = (
    "Something moves until the watchdog acts: nobody in reach, and the emergency stop in hand.",
    "In maintenance, with the enabling device held, let a pulse switch an output of the device on.",
    "While it is on, pull the plug of its bus. Never the device's own supply, and do not end the"
    " controller in order: it would switch the output off itself. Both prove nothing.",
    "Measure until the output drops: by recorder, camera or stop-watch; say how in --remark.",
)


def print_list(listed: CommissionList, every: bool) -> None:
    """The list on the screen; `every` shows what is done, too."""
    items = listed.items
    done = sum(item.done for item in items)
    left = listed.left
    state = "READY" if listed.ready else "NOT READY"
    say(heading(f"{listed.site.name}: {state}, {done} of {len(items)} items done"))
    for mode in MODES:
        missing = listed.missing(mode)
        said = f"may not start: {len(missing)} open" if missing else "may be started"
        say(Text(f"  {mode.replace('_', ' ')} {said}"))
    for text in listed.overrides():
        say(Text(f"  {text}"))
    if left:
        _print_next(left[0])
    say(Text(REACH))
    for stage, title in STAGES.items():
        _print_stage(title, [item for item in items if item.stage == stage], every)
    for finding in listed.unreadable:
        complain(str(finding))


def print_signing(item: Item, by: str) -> None:
    """What is about to be signed, in full; for a watchdog how it is proven."""
    if item.name.startswith("watchdog."):
        say(heading("How it is proven"))
        for number, step in enumerate(WATCHDOG_STEPS, 1):
            say(Text(f"{number}. {step}"))
    say(heading(f"{item.name}, signed by {by}:"))
    say(Text(item.text))


def _print_next(item: Item) -> None:
    say(Text())
    say(heading(f"Next: {item.name}"))
    say(Text(item.text))
    say(Text(item.why, style="bold"))
    if item.do:
        say(Text(f"  {item.do}"), soft_wrap=True)
    say(Text())


def _print_stage(title: str, items: Sequence[Item], every: bool) -> None:
    shown = [item for item in items if every or not item.ok]
    done = sum(item.done for item in items)
    say(Text())
    say(heading(title), Text(f"{done} of {len(items)} done"))
    if shown:
        say(table("is|item|why", [[_state(item), item.name, item.why] for item in shown]))


def _state(item: Item) -> str:
    if item.ok:
        return "signed" if item.kind == "signed" else "done"
    if item.override is not None:
        return "OVERRIDDEN"
    return "TO SIGN" if item.kind == "signed" else "OPEN"
