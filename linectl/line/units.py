"""The two units, sowing and harvest: ISA-TR88 states over their stations, with warning and limits.

A unit lets its stations move in the states of `tr88.MOVING` (after its start warning), and lets
them begin something new in Execute only. What a unit cannot begin, and why, it asks of them.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from linectl.image import Event
from linectl.line.inputs import NEVER
from linectl.line.part import Part
from linectl.line.tr88 import EDITIONS, MOVING

if TYPE_CHECKING:
    from linectl.line.line import Line

FINISHING = frozenset(("Holding", "Suspending", "Stopping", "Completing"))
"""States that bring to rest what moves."""
WARNED = frozenset(("Starting", "Unholding", "Unsuspending"))
MODES = ("production", "dry_cycle", "maintenance")
NOT_YET = ("step", "jog", "cleaning")
WARNING_PROOF_MS = 3_000
"""Time allowed for horn and beacon to prove themselves."""


def wrong_place(line: Line, unit: str) -> str | None:
    """Why nothing may be started from the room: a selector of the unit's zone, or of a shared one,
    gives the control place to the machine, or cannot be read. Without a unit: any selector."""
    for name, zone in line.site.file.zones.items():
        if unit in ("sowing", "harvest") and zone.unit not in (unit, None):
            continue
        index = line.site_io[f"{name}.remote_selected"]
        if line.inputs.off[index]:
            return f"the selector at {name} gives the control place to the machine"
        if not line.inputs.on[index]:
            return f"the selector at {name} cannot be read: who has the control place is not known"
    return None


class Unit:
    """One unit: state, mode, reason, and the rights its stations have in this scan."""

    FIELDS = (
        "state", "mode", "reason", "due", "since", "proven_since", "warned", "run_out", "moving",
        "may_start", "idle_due", "suspended_at", "touched", "asked", "asked_reason", "quiet",
    )  # fmt: skip

    def __init__(self, line: Line, name: str, io: dict[str, int]) -> None:
        self.line = line
        self.name = name
        self.table = EDITIONS[line.site.file.edition]
        self.parts: list[Part] = []
        """Downstream first."""
        self.state = self.table.initial
        self.mode = "maintenance" if "production" in line.release else "production"
        self.reason = "not started since power-up"
        self.due = NEVER
        self.since = 0
        self.proven_since = NEVER
        self.warned = False
        self.run_out = False
        self.moving = False
        """Stations may move."""
        self.may_start = False
        """Stations may begin another step."""
        self.idle_due = NEVER
        self.suspended_at = NEVER
        self.touched = False
        """Something happened since Suspending that forbids starting again by itself."""
        self.asked = ""
        self.asked_reason = ""
        self.quiet = False
        """Horn and beacon were seen off before they were asked: stuck on they prove nothing."""
        self.horn_on, self.beacon_on = io[f"{name}.horn_on"], io[f"{name}.beacon_on"]
        self.horn = line.bit(io[f"{name}.horn"]) | line.bit(io[f"{name}.beacon"])

    # requests ----------------------------------------------------------------------------------

    def hold(self, reason: str) -> None:
        """A cause inside the unit: hold at the end of this scan."""
        self.line.first_out.held(self.name, self.line.now)
        self._ask("hold", reason)

    def _ask(self, action: str, reason: str) -> None:
        rank = ("", "suspend", "hold", "stop", "abort")
        if rank.index(action) > rank.index(self.asked):
            self.asked, self.asked_reason = action, reason

    def can(self, event: str) -> bool:
        """True if the edition has that event in the present state."""
        return (self.state, event) in self.table.moves

    def command(self, name: str, reason: str) -> str | None:
        """A person's TR88 command; None when taken, else why not."""
        if name in ("stop", "hold", "abort"):
            self._ask(name, reason)  # where there is nothing to do, too: no start beside it
            if not self.can(name):
                return f"{self.name} is {self.state}: {name} has nothing to do"
            return None
        if self.asked:
            return f"{self.asked} comes first: {self.asked_reason}"
        if not self.can(name):
            return f"{self.name} is {self.state}: {name} is not possible from there"
        against = self.line.causes.actions.get(self.name)
        if name in ("start", "unhold", "unsuspend", "reset") and against is not None:
            return self.line.cause_text(against[1])
        if name == "start" and (why := self.mode_against()):
            return why
        if name in ("start", "unhold", "unsuspend"):
            if why := self.line.recovery.bars():
                return why
            if barred := self.line.barred(self.name):
                return barred
        if name == "clear" and against is not None and against[0] == "abort":
            return self.line.cause_text(against[1])
        self.go(name, reason)
        return None

    def mode_against(self) -> str | None:
        """Why the unit's present mode starts nothing; None if it may start."""
        if self.mode == "maintenance":
            return f"{self.name} is in maintenance: nothing starts there, whoever asks"
        if text := self.line.release.get(self.mode):
            return f"{self.name} is not released for {self.mode}: {text}"
        return None

    def go(self, event: str, reason: str = "") -> None:
        """Take the event; the state's own timers start."""
        now = self.line.now
        self.state = self.table.after(self.state, event)
        self.reason = reason
        self.since = now
        self.idle_due = NEVER
        self.proven_since = NEVER
        self.warned = self.quiet = False
        self.due = now + WARNING_PROOF_MS if self.state in WARNED else NEVER
        if self.state == "Suspending":
            self.touched = False
        if self.state == "Suspended":
            self.suspended_at = now
            limit = self.line.site.file.limits.auto_resume.limit_ms
            self.due = now + limit
        if self.state in ("Stopped", "Complete"):
            self.run_out = False
        self.line.changed = True
        data = {"mode": self.mode, "state": self.state, "reason": reason}
        self.line.emit(Event(now, "unit", self.name, f"{self.name} {self.state}", data))

    # one scan ----------------------------------------------------------------------------------

    def settle_rights(self, now: int) -> None:
        """Before the stations: what they may do in this scan; tell them when that changes."""
        against = self.line.causes.actions.get(self.name)
        aborts = against is not None and against[0] == "abort"
        moving = self.state in MOVING and (self.state not in WARNED or self.warned)
        if self.state in FINISHING:
            moving = self.moving  # what stood still does not begin to move without a warning
        moving = moving and not aborts
        self.may_start = self.state == "Execute" and not aborts
        if moving is not self.moving:
            self.moving = moving
            self.line.changed = True
            for part in self.parts:
                if moving:
                    part.resume(now)
                else:
                    part.pause(now)

    def step(self, now: int) -> None:
        """After the stations: requests, causes, then the state's own course."""
        against = self.line.causes.actions.get(self.name)
        if against is not None and self.line.polled:
            self._ask(against[0], self.line.cause_text(against[1]))
        if self.asked:
            action, reason = self.asked, self.asked_reason
            self.asked = self.asked_reason = ""
            if self.can(action):
                self.line.first_out.acted(self, action, now)
                self.go(action, reason)
                self.settle_rights(now)
                return
        getattr(self, f"_{self.state.lower()}", self._stay)(now)
        if self.moving and self.state not in MOVING:
            self.settle_rights(now)  # it has come to stand: in this very scan nothing is on

    def _stay(self, now: int) -> None:
        """Stopped, Idle, Held, Aborted, Complete: only a person's command goes on."""

    def _aborting(self, now: int) -> None:
        self.go("done", self.reason)

    def _clearing(self, now: int) -> None:
        self.go("done", "cleared: reset and start when ready")

    def _resetting(self, now: int) -> None:
        self.go("done", "ready to start")

    def _starting(self, now: int) -> None:
        if self._warn(now) and self._at_rest():
            self.go("done")

    _unholding = _starting
    _unsuspending = _starting

    def _warn(self, now: int) -> bool:
        """Horn and beacon, proven, for the start warning; True when it is over."""
        if self.warned:
            return True
        inputs = self.line.inputs
        if not self.quiet and inputs.off[self.horn_on] and inputs.off[self.beacon_on]:
            self.quiet = self.line.changed = True
        elif self.quiet and inputs.on[self.horn_on] and inputs.on[self.beacon_on]:
            if self.proven_since == NEVER:
                self.proven_since = now
                self.due = now + self.line.site.file.limits.start_warning_ms
                self.line.changed = True
            elif now >= self.due:
                self.warned = True
                self.due = NEVER
                self.line.alarms.clear(f"{self.name}.warning")
                self.line.changed = True
        elif now >= self.due or self.proven_since != NEVER:
            self.proven_since = NEVER
            self.line.alarms.raise_(
                f"{self.name}.warning", "high",
                f"{self.name}: horn and beacon did not prove themselves; nothing was started",
            )  # fmt: skip
            self._ask("hold" if self.can("hold") else "stop", "start warning not proven")
            self.due = NEVER
            self.line.changed = True
        return False

    def _execute(self, now: int) -> None:
        if self._at_rest():
            if self.run_out and not any(part.gutter for part in self.parts):
                self.go("done", "run out: nothing left inside")
            elif self.idle_due == NEVER:
                self.idle_due = now + self.line.site.file.limits.suspend_after_ms
            elif now >= self.idle_due:
                self.idle_due = NEVER
                outside, text = self.why_waiting()
                event = "suspend" if outside else "hold"
                self.line.first_out.blocked(self.name, event, now)
                self.go(event, text)
        else:
            self.idle_due = NEVER

    def _completing(self, now: int) -> None:
        if self._all_rest():
            self.go("done", self.reason)

    _holding = _suspending = _stopping = _completing

    def _suspended(self, now: int) -> None:
        if wrong_place(self.line, self.name):
            self.touched = True  # somebody has taken the control place, and may be inside
        outside, text = self.why_waiting()
        if text != self.reason and outside:
            self.reason = text
        if now >= self.due:  # before all else: what kept it until now does not lengthen its right
            self._resume_refused("longer than the site's limit for starting by itself", now)
        elif self.can_work(now):
            if barred := self.line.barred(self.name):
                self.reason = barred
            elif self.stays():
                self._resume_refused("something happened at the machine while it stood", now)
            else:
                self.go("unsuspend", "carries on: " + self.reason)

    def _resume_refused(self, why: str, now: int) -> None:
        self.due = NEVER
        self._ask(
            "hold" if self.can("hold") else "stop",
            f"stood suspended {why}: a person starts it again",
        )
        self.line.changed = True

    # what the stations say ---------------------------------------------------------------------

    def stays(self) -> bool:
        """Suspended, it does not carry on by itself: something happened, is set, or is faulted.

        The base edition has no hold for a fault that comes while suspending.
        """
        faulted = any(part.state == "faulted" for part in self.parts)
        return self.touched or self.line.interventions.concern(self) or faulted

    def _at_rest(self) -> bool:
        return all(part.resting() for part in self.parts)

    def _all_rest(self) -> bool:
        """The unit's stations at rest, and the lanes too if only this unit may move them.

        What was taken up while nothing may move waits for the next start: it is not waited for.
        """
        if not self.moving:
            return True
        if not self._at_rest():
            return False
        others = (unit for unit in self.line.units if unit is not self)
        return any(unit.moving for unit in others) or all(
            lane.resting() for lane in self.line.lanes.lanes
        )

    def can_work(self, now: int) -> bool:
        """True if, were the unit in Execute, some station could begin a step."""
        raise NotImplementedError

    def why_waiting(self) -> tuple[bool, str]:
        """(outside, text) of the wait nearest the unit's end; a trouble inside comes first."""
        for part in self.parts:
            if part.state in ("partial", "faulted"):
                return False, self.line.alarms.text_of(part.name) or f"{part.name} is {part.state}"
        for part in self.parts:
            waiting = part.wait()
            if waiting is not None:
                return waiting
        return False, "stands without a station saying why"

    def account(self) -> str:
        """One clause on this unit, for the other's reason."""
        text = f"{self.name} {self.state.lower()}"
        reason = self.reason
        if self.state == "Execute":
            waits = [part.wait() for part in self.parts]
            reason = next((wait[1] for wait in waits if wait), "")
            text = f"{self.name} at work" if not reason else f"{self.name} waits"
        return f"{text}: {reason}" if reason else text


class Sowing(Unit):
    """Magazine to infeed carriage."""

    def can_work(self, now: int) -> bool:
        return self.line.sower_could(now)


class Harvest(Unit):
    """Outfeed carriage to packing."""

    def can_work(self, now: int) -> bool:
        return self.line.harvest_could(now)
