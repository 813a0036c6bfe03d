"""Forced outputs: off at any time where off is safe; all else in maintenance only, by hand.

A force that may move something is held to what holds a pulse: the units of its zone stand in
maintenance, the enabling device is held, the start warning was given, no cause and no silent device
forbids it. When one of these goes, the force is over: it never comes back by itself.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from linectl.image import Value
from linectl.line.enabling import UNPROVEN, WARNED
from linectl.line.pulse_asked import against_together
from linectl.line.pulse_limits import companions
from linectl.line.pulses import SOUNDING

if TYPE_CHECKING:
    from linectl.line.forces import Forces
    from linectl.line.grants import Grant
    from linectl.site.hardware import Point

FORCED_ON_MS_MAX = 300_000
"""Longest force of an output that may move something (common practice, no source)."""


class OutputForces:
    """The forces on outputs among all forces; it has no state of its own."""

    def __init__(self, forces: Forces) -> None:
        self._forces = forces
        self.line = forces.line
        self.points = {p.tag: p for p in self.line.site.points if p.direction == "out"}
        self.standing: dict[str, Grant] = {}
        """Those of the standing forces that are on outputs; derived."""

    def show(self) -> None:
        """The list of forces has changed."""
        standing = self._forces.standing.items()
        self.standing = {tag: grant for tag, grant in standing if tag in self.points}

    # asked -------------------------------------------------------------------------------------

    def drives(self, tag: str, value: Value) -> bool:
        """The value is not off and safe: closing a grip is safe for its load, not for a hand, and
        a carriage told position 0 goes there."""
        is_place = tag.rpartition(".")[2] == "target"
        return bool(value) or value != self.points[tag].safe or is_place

    def refusal(self, tag: str, value: Value, length_ms: int) -> str | None:
        """Why that output may not be forced to that value now; None if it may."""
        if not self.drives(tag, value):
            return None
        by_hand, point = self.line.by_hand, self.points[tag]
        zone = point.zone or ""
        if length_ms > FORCED_ON_MS_MAX:
            return f"{tag}={value:g} is forced for 5m at most: it may move something"
        if why := by_hand.standing_against(zone):
            return why
        if not point.is_bool:
            return None
        if companions(self.line.site, tag):
            return f"{tag} is not forced alone: pulse it with what goes with it"
        on = {name: grant.value for name, grant in self.standing.items()}
        if why := against_together(self.line.site, {**on, tag: value}):
            return why
        if self._enabled(point) and (why := by_hand.enabling.against(zone)):
            return why
        pulse = by_hand.pulses.present
        if pulse is not None and tag.rpartition(".")[0] == pulse.tag.rpartition(".")[0]:
            return f"{by_hand.pulses.text(pulse)}; wait for its end"
        stops = zone if self._enabled(point) else ""
        return by_hand.forbidden_text(stops, self._away(point, value))

    def _away(self, point: Point, value: Value) -> int:
        """The output's bit if the value is not its safe one."""
        return 0 if value == point.safe else 1 << point.index

    def _enabled(self, point: Point) -> bool:
        return point.is_bool and point.tag.rpartition(".")[2] not in SOUNDING

    def _held(self) -> list[tuple[Grant, Point]]:
        """Those that stand only while the enabling device is held."""
        return [
            (grant, self.points[tag])
            for tag, grant in self.standing.items()
            if self._enabled(self.points[tag]) and self.drives(tag, grant.value)
        ]

    # one scan ----------------------------------------------------------------------------------

    def driven(self) -> list[str]:
        """Outputs that a force sets in motion."""
        return [grant.name for grant, _ in self._held()]

    def zones_wanted(self) -> list[str]:
        """The zones whose warning they want."""
        return [point.zone or "" for _, point in self._held()]

    def step(self) -> None:
        """After the enabling devices were looked at: what is no longer held is over."""
        enabling = self.line.by_hand.enabling
        for grant, point in self._held():
            if not enabling.held(point.zone or ""):
                self._forces.end(grant.name, "enabling")
            elif enabling.stage(point.zone or "") == UNPROVEN:
                self._forces.end(grant.name, "warning")
            elif enabling.stage(point.zone or "") == WARNED:
                self.line.by_hand.moved.note(grant.name)

    def cut(self) -> None:
        """In the gate: what a cause or a silent device forbids is over."""
        for tag, grant in list(self.standing.items()):
            point = self.points[tag]
            if not point.is_bool or not self.drives(tag, grant.value):
                continue
            stops = (point.zone or "") if self._enabled(point) else ""
            told = self.line.by_hand.forbidden_by(stops, self._away(point, grant.value))
            if told is not None:
                self._forces.end(tag, told)

    # what the gate is told ---------------------------------------------------------------------

    def bits(self, level: bool) -> int:
        """Bits of the outputs that are held at that level now."""
        return sum(
            1 << self.points[tag].index
            for tag, grant in self.standing.items()
            if grant.value is level and self.in_effect(tag, grant.value)
        )

    def in_effect(self, tag: str, value: Value) -> bool:
        """The warning has been given, where one is due."""
        point = self.points[tag]
        if not (self._enabled(point) and self.drives(tag, value)):
            return True
        return self.line.by_hand.enabling.stage(point.zone or "") == WARNED

    def numbers(self) -> dict[int, Value]:
        """Set-points that are forced, by output point."""
        return {
            self.points[tag].index: grant.value
            for tag, grant in self.standing.items()
            if not isinstance(grant.value, bool)
        }
