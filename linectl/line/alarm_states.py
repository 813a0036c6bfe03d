"""The states of one alarm, after ISA-18.2-2016 and IEC 62682, as a table.

The nine states are the standard's [from memory]; what can be checked openly is checked against
OPC 10000-9 v1.05: active and acknowledged run as in its table B.1; a latched alarm stays until
it is reset (4.8); shelving is ended by a person, by its time, or, one-shot, by the alarm's return
(5.8.17); shelved, suppressed and out of service hide an alarm and never end it (4.8).

Ours, where the sources leave room or differ:

- While an alarm is hidden its condition goes on being watched. When it is shown again it takes
  the state its condition has: unacknowledged if it is there (also if it was acknowledged before:
  somebody else may look now), latched unacknowledged if it has gone and its latch holds, else
  normal.
- Three things can hide an alarm at once. Shown is the strongest: out of service, then suppressed
  by design, then shelved; when one ends, what remains goes on.
- OPC 10000-9 5.8.5 resets an alarm only when it has been acknowledged. Here *reset* is the
  line's interlock reset, and neither act implies the other: reset first, and the alarm still
  waits for its acknowledgement as returned unacknowledged; the two together end it in any order.
"""

from __future__ import annotations

from linectl.line.tables import Row, Table, table

NORMAL = "normal"
UNACKNOWLEDGED = "unacknowledged"
ACKNOWLEDGED = "acknowledged"
RETURNED = "returned_unacknowledged"
LATCHED = "latched_unacknowledged"
LATCHED_ACKNOWLEDGED = "latched_acknowledged"
SHELVED = "shelved"
SUPPRESSED = "suppressed_by_design"
OUT = "out_of_service"

ANNUNCIATED = frozenset((UNACKNOWLEDGED, ACKNOWLEDGED, LATCHED, LATCHED_ACKNOWLEDGED))
"""States in which an alarm is in force and shown."""
WAITING = frozenset((UNACKNOWLEDGED, RETURNED, LATCHED))
"""States that wait for a person's acknowledgement."""
HIDDEN = (OUT, SUPPRESSED, SHELVED)
"""The strongest first."""

_SHOWN = "|".join((NORMAL, UNACKNOWLEDGED, ACKNOWLEDGED, RETURNED, LATCHED, LATCHED_ACKNOWLEDGED))
_ENDS = (("unshelve", SHELVED), ("unsuppress", SUPPRESSED), ("return_to_service", OUT))
_WATCHED = ("comes", "returns", "returns_latched", "reset")

ROWS: tuple[Row, ...] = (
    ("comes", f"{NORMAL}|{RETURNED}|{LATCHED}|{LATCHED_ACKNOWLEDGED}", UNACKNOWLEDGED),
    ("returns", UNACKNOWLEDGED, RETURNED),
    ("returns", ACKNOWLEDGED, NORMAL),
    ("returns_latched", UNACKNOWLEDGED, LATCHED),
    ("returns_latched", ACKNOWLEDGED, LATCHED_ACKNOWLEDGED),
    ("reset", LATCHED, RETURNED),
    ("reset", LATCHED_ACKNOWLEDGED, NORMAL),
    ("acknowledge", UNACKNOWLEDGED, ACKNOWLEDGED),
    ("acknowledge", RETURNED, NORMAL),
    ("acknowledge", LATCHED, LATCHED_ACKNOWLEDGED),
    # hiding
    ("shelve", f"{_SHOWN}|{SHELVED}", SHELVED),
    ("suppress", f"{_SHOWN}|{SHELVED}", SUPPRESSED),
    ("remove_from_service", f"{_SHOWN}|{SHELVED}|{SUPPRESSED}", OUT),
    # shown again, in the state that the condition has; or hidden by what remains
    *((event, state, NORMAL) for event, state in _ENDS),
    *((f"{event}_present", state, UNACKNOWLEDGED) for event, state in _ENDS),
    *((f"{event}_latched", state, LATCHED) for event, state in _ENDS),
    ("unsuppress_shelved", SUPPRESSED, SHELVED),
    ("return_to_service_shelved", OUT, SHELVED),
    ("return_to_service_suppressed", OUT, SUPPRESSED),
    # hidden, it is watched all the same, and what hides it less may come and go beneath
    *((event, state, state) for event in _WATCHED for state in HIDDEN),
    *(
        (event, OUT, OUT)
        for event in ("shelve", "unshelve_beneath", "suppress", "unsuppress_beneath")
    ),
    *((event, SUPPRESSED, SUPPRESSED) for event in ("shelve", "unshelve_beneath")),
)

TABLE: Table = table("alarm", NORMAL, ROWS)
