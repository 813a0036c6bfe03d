"""The enabling devices, and the start warning of what a person sets in motion with one of them.

In maintenance an output comes on only while the hard-wired enabling device of its zone is held.
The line reads it as an input like any other: bad is not held, and one that was never seen let go
since power-up, or since its device was silent, is stuck or tied down and counts as not held; so
does one that stays held while nothing waits for it.
Before anything moves horn and beacon of the zone sound for the start warning, proven by their
feedback, all while the device is held; let go once, they sound anew.
"""

from __future__ import annotations

from collections.abc import Iterable
from typing import TYPE_CHECKING

from linectl.line.inputs import NEVER

if TYPE_CHECKING:
    from linectl.line.line import Line

IDLE_MS = 30_000
"""Held for so long while nothing waits for it: somebody has tied it down, or dozes. It must be let
go before it counts again (let go before motion may begin anew: the principle of IEC 60204-1 for
enabling devices, from memory; the time is common practice, no source)."""
PROOF_MS = 3_000
"""Time allowed for horn and beacon to prove themselves, as before a unit's start."""
SOUNDS, WARNED, UNPROVEN = "sounds", "warned", "unproven"


class Enabling:
    """By zone: is the device held, and has the warning been given since it is."""

    FIELDS = ("let_go", "stages", "quiet", "proven", "due", "idle")

    def __init__(self, line: Line) -> None:
        self.line = line
        io = line.site_io
        zones = line.site.file.zones
        self.points = {zone: io[f"{zone}.enabling"] for zone in zones if f"{zone}.enabling" in io}
        """Input of the enabling device, of the zones that have one."""
        self._zones = {index: zone for zone, index in self.points.items()}
        self._horns = {
            zone: line.bit(io[f"{zone}.horn"]) | line.bit(io[f"{zone}.beacon"]) for zone in zones
        }
        self._feedback = {zone: (io[f"{zone}.horn_on"], io[f"{zone}.beacon_on"]) for zone in zones}
        self.let_go: set[str] = set()
        """Zones whose device was seen let go: one tied down since power-up never gets here."""
        self.stages: dict[str, str] = {}
        """Zones in which something waits for the warning: sounds, warned or unproven."""
        self.quiet: set[str] = set()
        """Zones whose horn and beacon were seen off before: stuck on they prove nothing."""
        self.proven: set[str] = set()
        """Zones whose horn and beacon have answered in this warning."""
        self.due: dict[str, int] = {}
        """When they must have answered, then when the warning is over, ms."""
        self.idle: dict[str, int] = {}
        """Zones whose device is held for nothing: when it counts no longer, ms."""

    def take(self, changed: Iterable[int], now: int) -> None:
        """Note which devices were let go; what cannot be read must be seen let go again."""
        inputs = self.line.inputs
        for index in changed:
            zone = self._zones.get(index)
            if zone is not None:
                if inputs.off[index]:
                    self.let_go.add(zone)
                elif not inputs.good[index]:
                    self.let_go.discard(zone)
                self._rests(zone, now)
        if self.idle:
            self._doze(now)

    def _doze(self, now: int) -> None:
        """What has been held for nothing so long counts no longer."""
        for zone in [zone for zone, due in self.idle.items() if due <= now]:
            self.let_go.discard(zone)
            self._rests(zone, now)
            self.line.changed = True

    def _rests(self, zone: str, now: int) -> None:
        """From now on it is held for nothing, if it is held."""
        self.idle.pop(zone, None)
        if zone not in self.stages and self.held(zone):
            self.idle[zone] = now + IDLE_MS

    def held(self, zone: str) -> bool:
        """The device of that zone is held now, and was seen let go before."""
        index = self.points.get(zone)
        return index is not None and zone in self.let_go and self.line.inputs.on[index]

    def against(self, zone: str) -> str | None:
        """Why nothing of that zone may be set in motion by a person now; None if it may."""
        index = self.points.get(zone)
        if index is None:
            return f"zone {zone} has no enabling device ({zone}.enabling in io.csv)"
        if self.held(zone):
            return None
        tag = f"{zone}.enabling"
        if not self.line.inputs.good[index]:
            return f"the enabling device cannot be read ({tag})"
        if self.line.inputs.on[index]:
            return f"the enabling device was not seen let go: let it go, then hold it ({tag})"
        return f"nobody holds the enabling device ({tag})"

    def step(self, wanted: frozenset[str], now: int) -> None:
        """One scan: warn in the zones in which something waits for it and the device is held."""
        for zone in [zone for zone in self.stages if zone not in wanted or not self.held(zone)]:
            self._end(zone, now)
        for zone in wanted:
            if not self.held(zone):
                continue
            if zone not in self.stages:
                self.stages[zone] = SOUNDS
                self.idle.pop(zone, None)
                self.due[zone] = now + PROOF_MS
                self.line.changed = True
            if self.stages[zone] == SOUNDS:
                self._sound(zone, now)

    def _sound(self, zone: str, now: int) -> None:
        """Seen off, then on, then on for the whole warning: anything else proves nothing."""
        inputs, feedback = self.line.inputs, self._feedback[zone]
        sounds = all(inputs.on[index] for index in feedback)
        if zone not in self.quiet and all(inputs.off[index] for index in feedback):
            self.quiet.add(zone)
            self.line.changed = True
        elif zone in self.quiet and sounds:
            if zone not in self.proven:
                self.proven.add(zone)
                self.due[zone] = now + self.line.site.file.limits.start_warning_ms
                self.line.changed = True
            elif now >= self.due[zone]:
                self._settle(zone, WARNED)
        elif zone in self.proven or now >= self.due[zone]:
            self._settle(zone, UNPROVEN)

    def _settle(self, zone: str, stage: str) -> None:
        self.stages[zone] = stage
        self.due.pop(zone, None)
        self.line.changed = True

    def _end(self, zone: str, now: int) -> None:
        del self.stages[zone]
        self.due.pop(zone, None)
        self.quiet.discard(zone)
        self.proven.discard(zone)
        self._rests(zone, now)
        self.line.changed = True

    def stage(self, zone: str) -> str:
        """sounds, warned or unproven; empty while nothing waits or the device is not held."""
        return self.stages.get(zone, "")

    def horns(self) -> int:
        """Bits of the horns and beacons that sound now."""
        bits = 0
        for zone, stage in self.stages.items():
            if stage == SOUNDS and zone in self.quiet:
                bits |= self._horns[zone]
        return bits

    def next_due(self) -> int:
        """When a warning is over, or not proven, or a device held for nothing counts no longer."""
        if not self.due and not self.idle:
            return NEVER
        return min((*self.due.values(), *self.idle.values()))

    def status(self) -> dict[str, bool | None]:
        """By zone: held or not; None if it cannot be read or was not seen let go before."""
        inputs = self.line.inputs
        return {
            zone: self.held(zone)
            if inputs.off[index] or (inputs.on[index] and zone in self.let_go)
            else None
            for zone, index in self.points.items()
        }
