"""One pulse of an output in maintenance, through the gate: who, how long, how it ended.

    waits     for the enabling device of its zone, a minute at most
    warned    horn and beacon sound, the device held
    leads     what goes with the output is on, itself not yet
    begun     the output is on; off in the scan in which anything speaks against it
    ended     it was on: ended_by time, enabling, interlock: CAUSE, device, mode, person, or
              control place (somebody has taken it at the machine)
    refused   it never was: ended_by as above, or warning, and not time

Set-points, horns and beacons move nothing: they wait for nothing and are not announced.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import asdict, dataclass, replace
from typing import TYPE_CHECKING, Any

from linectl.image import Event, Value
from linectl.line.enabling import UNPROVEN, WARNED
from linectl.line.inputs import NEVER
from linectl.line.pulse_asked import asked
from linectl.site.durations import format_duration

if TYPE_CHECKING:
    from linectl.line.line import Line
    from linectl.line.units import Unit

WAIT_MS = 60_000
"""So long a pulse waits for the enabling device: a person walks there, and is not forgotten."""
NAME_MAX = 200
"""Characters of a name."""
ON_STAGES = ("leads", "begun")
SOUNDING = frozenset(("horn", "beacon"))
"""Roles that move nothing and warn of nothing."""


@dataclass(frozen=True)
class Pulse:
    """The pulse that stands. Times in ms on the controller's clock."""

    tag: str
    values: Mapping[str, Value]
    zone: str
    by: str
    length_ms: int
    stage: str
    since: int
    due: int
    """When its stage is over by itself; NEVER while it is warned."""
    begun: int = NEVER
    """When the output itself came on."""
    lead_ms: int = 0
    """What goes with it is on for so long before it."""


class Pulses:
    """At most one at a time; what became of the last one."""

    def __init__(self, line: Line) -> None:
        self.line = line
        self.present: Pulse | None = None
        self.last: dict[str, Any] | None = None
        self._points = {point.tag: point for point in line.site.points}

    # what people do ----------------------------------------------------------------------------

    def begin(self, argument: str, by: str) -> str | None:
        """Ask for a pulse. None when it stands, else why not."""
        line = self.line
        if self.present is not None:
            return f"{self.text(self.present)}; wait for its end, or end it: pulse-end"
        if not by.strip():
            return "say who: it is under a person's name"
        if len(by) > NAME_MAX:
            return f"a name takes {NAME_MAX} characters"
        want = asked(line.site, argument, line.own_demand())
        if isinstance(want, str):
            return want
        zone = self._points[want.tag].zone or ""
        if why := self._against(want.values, zone):
            return why
        self.present = Pulse(
            want.tag, want.values, zone, by.strip(), want.length_ms, "waits", line.now,
            line.now + WAIT_MS, lead_ms=want.lead_ms,
        )  # fmt: skip
        line.changed = True
        if self.enabled(want.values):
            self._tell("waits")
        return None

    def _against(self, values: Mapping[str, Value], zone: str) -> str | None:
        """What forbids it now."""
        by_hand = self.line.by_hand
        if why := by_hand.standing_against(zone):
            return why
        if self.enabled(values) and zone not in by_hand.enabling.points:
            return by_hand.enabling.against(zone)
        if forced := self._forced_beside(values):
            return f"{forced} is forced: end that first"
        stops = zone if self.enabled(values) else ""
        return by_hand.forbidden_text(stops, self._away(values))

    def _forced_beside(self, values: Mapping[str, Value]) -> str:
        """A force on one of these outputs, or on one that drives the same part, maybe against
        them; empty without one."""
        parts = {tag.rpartition(".")[0] for tag in values}
        for tag in self.line.by_hand.forces.standing:
            beside = self._points[tag].is_bool and tag.rpartition(".")[0] in parts
            if tag in values or beside:
                return tag
        return ""

    def end(self, how: str) -> str | None:
        """It ends now. None, or why there is none."""
        if self.present is None:
            return "no pulse stands"
        self._over(how)
        return None

    def mode_changed(self, unit: Unit) -> None:
        """A unit's mode has changed: what needed the other one ends."""
        if self.present is not None and unit in self.line.by_hand.units_of(self.present.zone):
            self._over("mode")

    # one scan ----------------------------------------------------------------------------------

    def zone_wanted(self) -> str | None:
        """The zone whose warning it wants; None if none."""
        pulse = self.present
        if pulse is None or not self.enabled(pulse.values):
            return None
        return pulse.zone

    def step(self, now: int) -> None:
        """After the enabling devices were looked at, before the gate."""
        pulse = self.present
        if pulse is None:
            return
        if not self.enabled(pulse.values):
            if pulse.stage == "waits":
                self._begin(pulse, now)
            elif now >= pulse.due:
                self._over("time")
            return
        enabling = self.line.by_hand.enabling
        held = enabling.held(pulse.zone)
        if pulse.stage == "waits":
            if held:
                self.present = replace(pulse, stage="warned", due=NEVER)
                self._tell("warned")
            elif now >= pulse.due:
                self._over("enabling")
        elif not held:
            self._over("enabling")
        elif pulse.stage in ON_STAGES:
            if now >= pulse.due and pulse.stage == "leads":
                self._begin(pulse, now)
            elif now >= pulse.due:
                self._over("time")
        elif enabling.stage(pulse.zone) == WARNED:
            self._begin(pulse, now)
        elif enabling.stage(pulse.zone) == UNPROVEN:
            self._over("warning")

    def _begin(self, pulse: Pulse, now: int) -> None:
        """What goes with it first, if it has a lead; then the output itself."""
        if self._forbidden(pulse):
            return
        if pulse.lead_ms and pulse.stage != "leads":
            self.present = replace(pulse, stage="leads", due=now + pulse.lead_ms)
        else:
            self.present = replace(pulse, stage="begun", due=now + pulse.length_ms, begun=now)
        for tag in self._laid(self.present):
            self.line.by_hand.moved.note(tag)
        self._tell(self.present.stage)

    def cut(self) -> None:
        """In the gate, before anything is written: what is not permitted ends in this scan. While
        it waits only a stop or a guard does: whoever was there is not to find it coming after a
        reset."""
        pulse = self.present
        if pulse is None:
            return
        if self._forced_beside(pulse.values):
            self._over("person")  # forced off meanwhile: what is left is not driven without it
        elif pulse.stage != "waits":
            self._forbidden(pulse)
        elif told := self.line.by_hand.stopped_by(pulse.zone):
            self._over(told)

    def _forbidden(self, pulse: Pulse) -> bool:
        """Something speaks against it: then it is over."""
        stops = pulse.zone if self.enabled(pulse.values) else ""
        told = self.line.by_hand.forbidden_by(stops, self._away(pulse.values))
        if told is not None:
            self._over(told)
        return told is not None

    # what the gate is told ---------------------------------------------------------------------

    def bits(self, level: bool) -> int:
        """Bits of the outputs that the pulse holds at that level now."""
        pulse = self.present
        if pulse is None:
            return 0
        values = self._laid(pulse).items()
        return sum(1 << self._points[tag].index for tag, value in values if value is level)

    def numbers(self) -> dict[int, Value]:
        """Set-points by output point that the pulse lays over the line's own."""
        pulse = self.present
        if pulse is None:
            return {}
        return {
            self._points[tag].index: value
            for tag, value in self._laid(pulse).items()
            if not isinstance(value, bool)
        }

    def _laid(self, pulse: Pulse) -> Mapping[str, Value]:
        """What it asks for in its present stage."""
        if pulse.stage == "leads":
            return {tag: value for tag, value in pulse.values.items() if tag != pulse.tag}
        return pulse.values if pulse.stage == "begun" else {}

    def enabled(self, values: Mapping[str, Value]) -> bool:
        """The enabling device must be held for them: they set something in motion."""
        return any(
            isinstance(value, bool) and tag.rpartition(".")[2] not in SOUNDING
            for tag, value in values.items()
        )

    def _away(self, values: Mapping[str, Value]) -> int:
        """Bits of the outputs that it takes away from their safe value; of every set-point, for a
        silent device takes none."""
        return sum(
            1 << self._points[tag].index
            for tag, value in values.items()
            if not isinstance(value, bool) or value is not bool(self._points[tag].safe)
        )

    # what it tells -----------------------------------------------------------------------------

    def _over(self, how: str) -> None:
        pulse = self.present
        assert pulse is not None
        line = self.line
        was_on = pulse.stage in ON_STAGES
        self.present = None
        ran_ms = line.now - pulse.begun if pulse.stage == "begun" else 0
        stage = "ended" if was_on else "refused"
        self.last = {
            **self._shown(pulse), "stage": stage, "ended_by": how, "ran_ms": ran_ms, "at": line.now
        }  # fmt: skip
        self._emit(pulse, stage, f", by {how}", {"ended_by": how, "ran_ms": ran_ms})

    def _tell(self, stage: str) -> None:
        assert self.present is not None
        self._emit(self.present, stage, "", {})

    def _emit(self, pulse: Pulse, stage: str, more: str, data: Mapping[str, Value | str]) -> None:
        line = self.line
        for unit in line.by_hand.units_of(pulse.zone):
            unit.touched = True
        text = f"{self._words(pulse)} by {pulse.by}: {stage}{more}"
        told = {**self._shown(pulse), "stage": stage, **data}
        line.emit(Event(line.now, "pulse", pulse.tag, text, told))

    def text(self, pulse: Pulse) -> str:
        """What a person reads of it."""
        return f"{self._words(pulse)} by {pulse.by} {_STANDS[pulse.stage]}"

    def _words(self, pulse: Pulse) -> str:
        said = " ".join(f"{tag}={value:g}" for tag, value in pulse.values.items())
        return f"pulse {said} for {format_duration(pulse.length_ms)}"

    def _shown(self, pulse: Pulse) -> dict[str, Any]:
        others = {tag: value for tag, value in pulse.values.items() if tag != pulse.tag}
        return {
            "tag": pulse.tag, "value": pulse.values[pulse.tag], "others": others,
            "for_ms": pulse.length_ms, "by": pulse.by,
        }  # fmt: skip

    def status(self) -> dict[str, Any]:
        """`pulse` and `last_pulse` of the status; times in seconds, left_s of its stage."""
        pulse, now = self.present, self.line.now
        told = None
        if pulse is not None:
            due = pulse.due
            if pulse.stage == "warned":
                due = self.line.by_hand.enabling.due.get(pulse.zone, now)
            told = {
                **self._shown(pulse), "stage": pulse.stage, "since_s": (now - pulse.since) / 1000,
                "left_s": (due - now) / 1000,
            }  # fmt: skip
        last = None
        if self.last is not None:
            last = {key: value for key, value in self.last.items() if key != "at"}
            last["ago_s"] = (now - self.last["at"]) / 1000
        return {"pulse": told, "last_pulse": last}

    # state -------------------------------------------------------------------------------------

    def next_due(self) -> int:
        """When its stage is over by itself."""
        return NEVER if self.present is None else self.present.due

    def plain(self) -> dict[str, Any]:
        """The state as plain data."""
        return {
            "present": None if self.present is None else asdict(self.present),
            "last": self.last,
        }

    def fill(self, saved: Mapping[str, Any]) -> None:
        """Take over what `plain` gave."""
        self.present = None if saved["present"] is None else Pulse(**saved["present"])
        self.last = saved["last"]


_STANDS = {
    "waits": "waits for the enabling device",
    "warned": "sounds its warning",
    "leads": "leads",
    "begun": "is on",
}
