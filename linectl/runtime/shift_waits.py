"""Where a unit's time went in a shift: production, stands and short waits, with their reasons."""

from __future__ import annotations

import re
from collections.abc import Sequence
from typing import Any

from linectl.crop.spread import pareto
from linectl.runtime.account import NO_CONTROLLER, Row

PRODUCING = frozenset(("Execute", "Completing"))
"""Unit states in which gutters come out. Completing works off what is inside."""
PLANNED = frozenset(("Complete",))
"""Ran out as it was told to: no more work was wanted."""
ON_ITS_WAY = frozenset(("Resetting", "Starting", "Stopping", "Clearing"))
"""States that a unit passes through; what led to them is no reason for the time they take."""
SHORT = "Execute"
"""The state of a short wait: one station waits for something outside while its unit works on."""

_LANES = re.compile(r"\b(lanes?) \d[\d–, ]*\d|\b(lanes?) \d+")
_GUTTER = re.compile(r"\bgutter \d+")


def time_of(states: Sequence[Row], unit: str) -> dict[str, float]:
    """Seconds of a unit by what they count as: production, planned (not busy), stand."""
    sums = {"production": 0.0, "planned": 0.0, "stand": 0.0}
    for row in states:
        if row["unit"] == unit:
            sums[counts_as(row)] += row["to_s"] - row["from_s"]
    return sums


def counts_as(state: Row) -> str:
    """What a stretch of a unit's state counts as."""
    if state["state"] in PLANNED or state["mode"] not in ("production", None):
        return "planned"
    return "production" if state["state"] in PRODUCING else "stand"


def stands(states: Sequence[Row], waits: Sequence[Row]) -> list[Row]:
    """Every stretch in which a whole unit stood though it was to be busy.

    Waits are taken with their reasons as they are; what stood beside them (Stopped, Idle, on the
    way to Execute, no controller) is added under the state's own name.
    """
    found = [wait for wait in waits if wait["state"] != SHORT]
    for state in states:
        if counts_as(state) != "stand":
            continue
        covered = [w for w in found if w["unit"] == state["unit"] and _overlap_s(w, state) > 0]
        if not covered and state["to_s"] > state["from_s"]:
            on_its_way = state["state"] in ON_ITS_WAY
            reason = f"on its way: {state['state'].lower()}" if on_its_way else state["reason"]
            found.append({**state, "reason": reason, "lane": None})
    return sorted(found, key=lambda row: (row["from_s"], row["unit"]))


def with_meanwhile(rows: Sequence[Row], waits: Sequence[Row]) -> list[Row]:
    """Each stand, and `meanwhile`: what kept the other unit for the greatest part of it."""
    found = []
    for row in rows:
        others = [w for w in waits if w["unit"] != row["unit"] and _overlap_s(w, row) > 0]
        longest = max(others, key=lambda wait: _overlap_s(wait, row), default=None)
        text = None
        if longest is not None and row["state"] != NO_CONTROLLER:
            state = "waits" if longest["state"] == SHORT else longest["state"].lower()
            text = f"{longest['unit']} {state}: {longest['reason'].split(';')[0]}"
        found.append({**row, "meanwhile": text})
    return found


def ranked(stood: Sequence[Row], waits: Sequence[Row], unit: str) -> list[dict[str, Any]]:
    """The Pareto of a unit's stands and short waits by reason, the longest sum first."""
    rows = [row for row in (*stood, *(w for w in waits if w["state"] == SHORT))
            if row["unit"] == unit]  # fmt: skip
    parts = pareto(((r["state"], grouped(r)), r["to_s"] - r["from_s"]) for r in rows)
    return [
        {
            "unit": unit, "state": part.name[0], "reason": part.name[1], "times": part.times,
            "all_s": round(part.total, 3), "longest_s": round(part.longest, 3),
            "share": part.share, "cumulative": part.cumulative,
        }
        for part in parts
    ]  # fmt: skip


def grouped(row: Row) -> str:
    """A reason without what differs from time to time: lanes, gutters, the other unit's reason."""
    if row["state"] == NO_CONTROLLER:
        return str(row["reason"].split(":")[0])
    if not row["reason"]:
        return str(row["state"]).lower()
    text = _LANES.sub(lambda found: f"{found[1] or found[2]} …", row["reason"].split(";")[0])
    return _GUTTER.sub("gutter …", text)


def _overlap_s(one: Row, other: Row) -> float:
    return float(min(one["to_s"], other["to_s"]) - max(one["from_s"], other["from_s"]))
