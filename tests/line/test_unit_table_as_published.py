"""The unit states' pairs written out by hand, with where each leads.

ANSI/ISA-TR88.00.02-2015, matrix as encoded in a published ontology; the extension of Hold: OPC
30050 v1.01. States are given by their numbers in OPC 30050, so that no name is matched by habit.
"""

from __future__ import annotations

from linectl.line.tr88 import EDITIONS

NUMBERS = dict(
    zip(
        range(1, 18),
        [
            "Clearing",
            "Stopped",
            "Starting",
            "Idle",
            "Suspended",
            "Execute",
            "Stopping",
            "Aborting",
            "Aborted",
            "Holding",
            "Held",
            "Unholding",
            "Suspending",
            "Unsuspending",
            "Resetting",
            "Completing",
            "Complete",
        ],
        strict=True,
    )
)
PUBLISHED = {
    "done": {1: 2, 3: 6, 6: 16, 7: 2, 8: 9, 10: 11, 12: 6, 13: 5, 14: 6, 15: 4, 16: 17},
    "abort": {1: 8, 2: 8, 3: 8, 4: 8, 5: 8, 6: 8, 7: 8, 10: 8, 11: 8, 12: 8, 13: 8, 14: 8,
              15: 8, 16: 8, 17: 8},
    "stop": {3: 7, 4: 7, 5: 7, 6: 7, 10: 7, 11: 7, 12: 7, 13: 7, 14: 7, 15: 7, 16: 7, 17: 7},
    "reset": {2: 15, 17: 15},
    "start": {4: 3},
    "hold": {6: 10},
    "suspend": {6: 13},
    "unhold": {11: 12},
    "unsuspend": {5: 14},
    "clear": {9: 1},
}  # fmt: skip
"""command: {from: to}; `done` is the completion of an acting state."""
HOLD_ALSO_FROM = (3, 5, 12, 13, 14)


def _pairs(published: dict[str, dict[int, int]]) -> dict[tuple[str, str], str]:
    return {
        (NUMBERS[start], command): NUMBERS[end]
        for command, leads in published.items()
        for start, end in leads.items()
    }


def test_the_46_pairs_and_where_they_lead_are_those_published():
    assert sum(map(len, PUBLISHED.values())) == 46
    assert EDITIONS["isa-tr88.00.02-2015"].moves == _pairs(PUBLISHED)


def test_the_extension_adds_hold_from_five_states_and_nothing_else():
    extended = _pairs(PUBLISHED) | _pairs({"hold": dict.fromkeys(HOLD_ALSO_FROM, 10)})
    assert len(extended) == 51
    assert EDITIONS["isa-tr88.00.02-2015+hold"].moves == extended
