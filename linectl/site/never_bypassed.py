"""Which causes nobody may keep from acting, whatever a site's file says.

Emergency stops, guards and the start warning, and beside them whatever says that a person may be
there: isolators, local switches, swept areas, the control place and the reset buttons. The
silence of devices and what follows from the machine's shape are no rows of a file at all.
"""

from __future__ import annotations

from collections.abc import Iterable

NEVER: dict[str, str] = {
    "estop_ok": "an emergency stop",
    "closed": "a guard",
    "swept_clear": "the watch over a swept area",
    "isolator_on": "an isolator",
    "remote": "a local switch",
    "remote_selected": "the choice of the control place",
    "safety_reset": "a safety reset",
    "interlock_reset": "an interlock reset",
    "enabling": "an enabling device",
    "horn_on": "the start warning",
    "beacon_on": "the start warning",
    "overtravel_ok": "an overtravel switch",
}
"""By role: what the point is, in words."""


def never_bypassed(tags: Iterable[str]) -> str | None:
    """The first of these points that protects a person, in words; None if none does."""
    for tag in tags:
        kind = NEVER.get(tag.rpartition(".")[2])
        if kind is not None:
            return f"{tag} is {kind}"
    return None
