"""A shift's account from the line's own events and moves: waits, alarms, states, gutters' flow."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable
from typing import Any

from linectl.image import Event, Move
from linectl.runtime.alarm_rates import Change, change_of, rates
from linectl.runtime.blend_account import KINDS, BlendAccount

WAITING = {
    "Suspending": "Suspended", "Suspended": "Suspended", "Unsuspending": "Suspended",
    "Holding": "Held", "Held": "Held", "Unholding": "Held",
    "Aborting": "Aborted", "Aborted": "Aborted", "Clearing": "Aborted",
}  # fmt: skip
"""Unit states in which a unit waits, by the name of the wait: it lasts until work goes on."""

RETURNING = frozenset(("Stopped", "Resetting", "Idle", "Starting"))
"""The way back from Aborted: work has not gone on yet."""

UNITS = ("sowing", "harvest")
NO_CONTROLLER = "No controller"
"""Said of both units while none ran: no state of theirs, but what a shift must account for."""

FLOW_STEP_MS = 300_000
"""Gutters in and out are counted per five minutes."""

Row = dict[str, Any]


def _seconds(milliseconds: int | None) -> float | None:
    return None if milliseconds is None else milliseconds / 1000


class Account:
    """Collects what a report tells of a run. Times in are milliseconds, times out seconds."""

    def __init__(self) -> None:
        self._states: list[Row] = []
        self._waits: list[Row] = []
        self._alarms: list[Row] = []
        self._open_state: dict[str, Row] = {}
        self._open_wait: dict[str, Row] = {}
        self._gates: dict[str, list[str]] = {}
        """Why the gate stations of a unit wait now: they wait while the others still work."""
        self._open_alarm: dict[str, Row] = {}
        self._interventions: list[Row] = []
        self._open_interventions: dict[tuple[str, str], Row] = {}
        self._trips: dict[int, Row] = {}
        self._trips_before: list[Row] = []
        """Those of controllers before: each counts its own from 1."""
        self._changes: list[Change] = []
        """Every change of state of an alarm."""
        self.blends = BlendAccount()
        self._inserts: list[int] = []
        self._ejects: list[int] = []

    def take(self, events: Iterable[Event], moves: Iterable[Move]) -> None:
        """Add what one scan said, in order."""
        for event in events:
            if event.kind == "unit":
                self._state(event)
            elif event.kind == "alarm_on":
                self._alarm(event)
            elif event.kind == "alarm_off":
                self._end(self._open_alarm.pop(event.source, None), event.at)
            elif event.kind == "trip":
                self._trip(event)
            elif event.kind == "alarm_state":
                self._changes.append(change_of(event))
            elif event.kind in ("wait_on", "wait_off"):
                self._gate(event)
            elif event.kind in ("bypass", "force", "override"):
                self._intervention(event)
            elif event.kind in KINDS:
                self.blends.take(event)
        for move in moves:
            if move.done:
                if move.kind == "insert":
                    self._inserts.append(move.at)
                elif move.kind == "eject":
                    self._ejects.append(move.at)

    def without_controller(self, at: int, reason: str) -> None:
        """From here on there is no controller, until one says something again.

        What it knew of as going on has ended: nobody can tell how long it lasted.
        """
        self._gates.clear()
        for alarm in self._open_alarm.values():
            self._end(alarm, at)
        self._open_alarm.clear()
        latest = {change.tag: change for change in self._changes}
        self._changes += [
            change._replace(at=at, state="normal", in_force=False, rang=False)
            for change in latest.values()
            if change.state != "normal"
        ]
        self._trips_before = self.trips()
        self._trips.clear()
        for unit in UNITS:
            data = {"mode": None, "state": NO_CONTROLLER, "reason": reason}
            self._state(Event(at, "unit", unit, reason, data))

    @staticmethod
    def _end(row: Row | None, at: int) -> None:
        if row is not None:
            row["to_s"] = _seconds(at)

    def _state(self, event: Event) -> None:
        unit, state, reason = event.source, str(event.data["state"]), event.data.get("reason")
        self._end(self._open_state.get(unit), event.at)
        row: Row = {
            "unit": unit, "state": state, "reason": reason or "", "mode": event.data.get("mode"),
            "from_s": _seconds(event.at), "to_s": None,
        }  # fmt: skip
        self._open_state[unit] = row
        self._states.append(row)
        self._turn(event.at, unit)

    def _gate(self, event: Event) -> None:
        gates = self._gates.setdefault(event.source, [])
        if event.kind == "wait_on":
            gates.append(event.text)
        elif gates:
            gates.pop(0)
        self._turn(event.at, event.source)

    def _turn(self, at: int, unit: str) -> None:
        """The unit's situation changed. Its waits follow each other and never overlap."""
        row = self._open_state.get(unit)
        state, reason = (row["state"], row["reason"]) if row else ("", "")
        gates = self._gates.get(unit)
        wait = WAITING.get(state)
        if state == "Execute" and gates:
            wait, reason = state, gates[-1]
        present = self._open_wait.get(unit)
        if present is not None and present["state"] == "Aborted" and state in RETURNING:
            wait = "Aborted"
        if present is not None and present["state"] != wait:
            self._end(self._open_wait.pop(unit), at)
            if present["from_s"] == present["to_s"]:
                self._waits.remove(present)
            present = None
        if wait is not None and present is None:
            self._open_wait[unit] = self._wait(at, unit, wait, reason)

    def _wait(self, at: int, unit: str, state: str, reason: str) -> Row:
        row: Row = {
            "unit": unit, "state": state, "reason": reason, "lane": None,
            "from_s": _seconds(at), "to_s": None,
        }  # fmt: skip
        self._waits.append(row)
        return row

    def _alarm(self, event: Event) -> None:
        row: Row = {
            "tag": event.source, "priority": event.data["priority"],
            "first_out": bool(event.data["first_out"]), "from_s": _seconds(event.at), "to_s": None,
            "text": event.text, "do": event.data.get("do"),
        }  # fmt: skip
        self._alarms.append(row)
        self._open_alarm[event.source] = row

    def _intervention(self, event: Event) -> None:
        """What a person set: from its beginning until it ends; a bypass is then to be tried."""
        key, data = (event.kind, event.source), event.data
        if data["stage"] == "begun":
            row: Row = {
                "kind": event.kind, "name": event.source, "by": data["by"],
                "reason": data["reason"], "from_s": _seconds(event.at), "to_s": None,
                "ended_by": None, "came": 0, "tried": False, "text": event.text,
            }  # fmt: skip
            self._open_interventions[key] = row
            self._interventions.append(row)
        elif (known := self._open_interventions.get(key)) is not None:
            if data["stage"] == "tried":
                known["tried"] = True
                return
            known["to_s"], known["ended_by"] = _seconds(event.at), data["ended_by"]
            known["came"] = data.get("came", 0)

    def interventions(self) -> list[Row]:
        """Every bypass, force and override, in order; `to_s` None: it has not ended."""
        return self._interventions

    def _trip(self, event: Event) -> None:
        """The record as last told; `to_s`: when its causes had gone and its units were reset."""
        told = event.data
        row = {**told, "at_s": told["began_ms"] / 1000, "text": event.text, "to_s": None}
        if told["ended"]:
            row["to_s"] = _seconds(event.at)
        self._trips[told["number"]] = row

    def trips(self) -> list[Row]:
        """Every trip, in order, as last told; `to_s` None: it has not ended."""
        return [*self._trips_before, *self._trips.values()]

    def waits(self) -> list[Row]:
        """Every wait, in order; `to_s` None: it has not ended."""
        return self._waits

    def waiting_s(self, unit: str, end_ms: int) -> float:
        """Seconds the unit waited until `end_ms`, whole or at its gate station."""
        end_s = end_ms / 1000
        spans = (
            float((end_s if row["to_s"] is None else row["to_s"]) - row["from_s"])
            for row in self._waits
            if row["unit"] == unit
        )
        return sum(spans)

    def alarms(self) -> list[Row]:
        """Every alarm, in order; `to_s` None: it still stands."""
        return self._alarms

    def alarm_rates(self, end_ms: int) -> Row:
        """The measures of ISA-18.2 over the run."""
        return rates(self._changes, 0, end_ms)

    def states(self) -> list[Row]:
        """Every state of each unit, in order of time."""
        return self._states

    def flow(self, end_ms: int) -> list[Row]:
        """Gutters indexed and ejected in each five minutes of the run."""
        indexed = Counter(at // FLOW_STEP_MS for at in self._inserts)
        ejected = Counter(at // FLOW_STEP_MS for at in self._ejects)
        return [
            {
                "from_s": start / 1000,
                "indexed": indexed[start // FLOW_STEP_MS],
                "ejected": ejected[start // FLOW_STEP_MS],
            }
            for start in range(0, end_ms, FLOW_STEP_MS)
        ]
