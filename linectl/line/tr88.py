"""The unit states and commands of ANSI/ISA-TR88.00.02-2015, with the edition as data.

The 46 state-command pairs are those of the 2015 matrix as encoded in a published ontology;
state numbers as in OPC 30050. OPC 30050 v1.01 also allows Hold from five more states; sites
may choose that extension, and `status` prints which edition is in force.
"""

from __future__ import annotations

from linectl.line.tables import Row, Table, table

STATE_NUMBERS = {
    "Clearing": 1, "Stopped": 2, "Starting": 3, "Idle": 4, "Suspended": 5, "Execute": 6,
    "Stopping": 7, "Aborting": 8, "Aborted": 9, "Holding": 10, "Held": 11, "Unholding": 12,
    "Suspending": 13, "Unsuspending": 14, "Resetting": 15, "Completing": 16, "Complete": 17,
}  # fmt: skip

ACTING = (
    "Clearing", "Starting", "Execute", "Stopping", "Aborting", "Holding",
    "Unholding", "Suspending", "Unsuspending", "Resetting", "Completing",
)  # fmt: skip

_ALL = tuple(STATE_NUMBERS)


def _except(*states: str) -> str:
    return "|".join(state for state in _ALL if state not in states)


BASE_ROWS: tuple[Row, ...] = (
    ("done", "Clearing|Stopping", "Stopped"),
    ("done", "Starting|Unholding|Unsuspending", "Execute"),
    ("done", "Execute", "Completing"),
    ("done", "Aborting", "Aborted"),
    ("done", "Holding", "Held"),
    ("done", "Suspending", "Suspended"),
    ("done", "Resetting", "Idle"),
    ("done", "Completing", "Complete"),
    ("abort", _except("Aborting", "Aborted"), "Aborting"),
    ("stop", _except("Stopped", "Stopping", "Clearing", "Aborting", "Aborted"), "Stopping"),
    ("reset", "Stopped|Complete", "Resetting"),
    ("start", "Idle", "Starting"),
    ("hold", "Execute", "Holding"),
    ("suspend", "Execute", "Suspending"),
    ("unhold", "Held", "Unholding"),
    ("unsuspend", "Suspended", "Unsuspending"),
    ("clear", "Aborted", "Clearing"),
)

HOLD_EXTENSION: tuple[Row, ...] = (
    ("hold", "Starting|Suspending|Suspended|Unsuspending|Unholding", "Holding"),
)

EDITIONS: dict[str, Table] = {
    "isa-tr88.00.02-2015": table("unit", "Stopped", BASE_ROWS),
    "isa-tr88.00.02-2015+hold": table("unit", "Stopped", (*BASE_ROWS, *HOLD_EXTENSION)),
}
"""After power-up a unit is Stopped: nothing moves and a person must reset and start it."""

COMMANDS = ("abort", "stop", "reset", "start", "hold", "suspend", "unhold", "unsuspend", "clear")

MOVING = frozenset(
    (
        "Starting",
        "Execute",
        "Stopping",
        "Holding",
        "Unholding",
        "Suspending",
        "Unsuspending",
        "Completing",
    )
)
"""States in which a unit's stations may move; the three starting ones after their warning only."""
