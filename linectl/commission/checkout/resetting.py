"""Interlocks that a checkout's own acts have latched are reset: that moves and starts nothing."""

from __future__ import annotations

from linectl.commission.checkout.watching import Lookout
from linectl.commission.person import FieldAct, Person
from linectl.line.build import rows_of

PRESS_MS = 60_000
"""How long is waited for the button at the machine."""


def reset_interlocks(lookout: Lookout, person: Person, by: str) -> None:
    """The command first; then, zone by zone, the button at the machine where a cause wants it."""
    refused = lookout.controller.command("interlock-reset", "", by)
    person.say(f"  interlock-reset: {refused or 'accepted'}")
    lookout.next_look()
    standing = lookout.controller.standing().causes
    rows = [row for row in rows_of(lookout.site) if row.reset == "at_machine"]
    for zone in sorted({row.zone for row in rows if row.name in standing}):
        tag = f"{zone}.interlock_reset"
        names = ", ".join(row.name for row in rows if row.zone == zone and row.name in standing)
        person.say(f"  {names}: reset only at the machine, by who has looked")
        for kind, value, text in (
            ("operate", True, f"press the interlock reset button of {zone}"),
            ("release", False, "let the button go"),
        ):
            before = lookout.arm()
            person.act(FieldAct(kind, tag, value, f"{tag}: {text}"))
            lookout.edge(tag, before, PRESS_MS)
