"""What a person drives by hand in maintenance: pulses and forced outputs, as the gate is told.

Neither goes round the gate: what they ask for is one more demand, and every cause, every silent
device and the enabling device of the zone may take it away in the scan in which it is seen. What
has been taken away so does not come back by itself: the pulse or the force is over.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from linectl.image import Value
from linectl.line.enabling import Enabling
from linectl.line.moved_by_hand import MovedByHand
from linectl.line.pulses import Pulses
from linectl.line.tr88 import MOVING
from linectl.line.units import wrong_place
from linectl.site.effects import holds_on, stops_of

if TYPE_CHECKING:
    from linectl.line.line import Line
    from linectl.line.units import Unit

MAINTENANCE = "maintenance"


class ByHand:
    """The enabling devices, the pulse, and the forced outputs, as one for scan and gate."""

    def __init__(self, line: Line) -> None:
        self.line = line
        self.enabling = Enabling(line)
        self.pulses = Pulses(line)
        self.moved = MovedByHand(line)
        self.forces = line.interventions.forces.outputs
        io = line.site_io
        self._loads = [
            (point.tag, io[sign])
            for point in line.site.points
            if point.direction == "out" and holds_on(point)
            if (sign := f"{point.tag.rpartition('.')[0]}.on_board") in io
        ]
        """Outputs that hold a load by being on, each with the input that shows a load."""
        self._stops = {zone: self._stops_of(zone) for zone in line.site.file.zones}
        """By zone its guards and the emergency stops that act on it, with the cause of each: no
        hand drives even what their causes leave on, a grip, while one of them is not well."""

    def _stops_of(self, zone: str) -> tuple[tuple[int, str], ...]:
        file, io = self.line.site.file, self.line.site_io
        tags = [f"guard_{guard}.closed" for guard in file.zones[zone].guards]
        tags += [f"{stop}.estop_ok" for stop in stops_of(zone, file.zones)]
        names = {
            test.index: row.name
            for row in reversed(self.line.causes.rows)
            if row.priority is not None and not (row.silence or row.together_ms)
            for test in row.tests
        }
        return tuple((io[tag], names.get(io[tag], tag)) for tag in tags)

    # one scan ----------------------------------------------------------------------------------

    def step(self, now: int) -> None:
        """After the units, before the gate."""
        if self.pulses.present is None and not self.forces.standing and not self.enabling.stages:
            return
        wanted = frozenset((*self.forces.zones_wanted(), *self._pulsed()))
        self.enabling.step(wanted, now)
        self._leave_to_the_machine()
        self.forces.step()
        self.pulses.step(now)

    def _leave_to_the_machine(self) -> None:
        """The room has lost the control place: whoever took it at the machine may be inside."""
        pulse = self.pulses.present
        if pulse is not None and wrong_place(self.line, self.place_of(pulse.tag)):
            self.pulses.end("control place")
        for tag in self.forces.driven():
            if wrong_place(self.line, self.place_of(tag)):
                self.line.interventions.forces.end(tag, "control place")

    def _pulsed(self) -> tuple[str, ...]:
        zone = self.pulses.zone_wanted()
        return () if zone is None else (zone,)

    def cut(self) -> None:
        """In the gate, before anything is written: what is forbidden is over."""
        if self.pulses.present is not None:
            self.pulses.cut()
        if self.forces.standing:
            self.forces.cut()

    # what the gate is told ---------------------------------------------------------------------

    def over(self, demand: int) -> int:
        """The demand with what people ask for laid over it; forced off has the last word."""
        if self.pulses.present is None and not self.forces.standing and not self.enabling.stages:
            return demand
        demand |= self.enabling.horns() | self.pulses.bits(True) | self.forces.bits(True)
        return demand & ~(self.pulses.bits(False) | self.forces.bits(False))

    def numbers(self) -> dict[int, Value]:
        """Set-points that people lay over the line's own, by output point."""
        if self.pulses.present is None and not self.forces.standing:
            return {}
        return {**self.pulses.numbers(), **self.forces.numbers()}

    def next_due(self) -> int:
        """When something of it is over by itself; forces are told by the interventions."""
        return min(self.enabling.next_due(), self.pulses.next_due())

    # what both ask -----------------------------------------------------------------------------

    def units_of(self, zone: str) -> tuple[Unit, ...]:
        """The unit of that zone; both where it is shared."""
        facts = self.line.site.file.zones.get(zone)
        name = facts.unit if facts is not None else None
        return tuple(unit for unit in self.line.units if name in (None, unit.name))

    def place_of(self, tag: str) -> str:
        """The unit by whose control place the output is commanded; empty: any."""
        index = self.line.site_io.get(tag)
        zone = "" if index is None else self.line.site.points[index].zone or ""
        units = self.units_of(zone)
        return units[0].name if len(units) == 1 else ""

    def standing_against(self, zone: str) -> str | None:
        """Why nothing of that zone is driven by hand: a unit is not in maintenance, or moves."""
        for unit in self.units_of(zone):
            if unit.mode != MAINTENANCE:
                return (
                    f"{unit.name} is in {unit.mode}: first command {unit.name} mode {MAINTENANCE}"
                    " (in Stopped, Idle or Aborted)"
                )
            if unit.moving or unit.state in MOVING:
                return f"{unit.name} is {unit.state}: it moves still"
        return self.line.recovery.bars()

    def _would_drop(self, bits: int) -> tuple[str, str] | None:
        """A grip among these outputs that is not proven empty, and the input that should show it.
        It may have been empty when the person asked, a minute ago."""
        line = self.line
        for tag, empty in self._loads:
            if bits >> line.site_io[tag] & 1 and not line.inputs.off[empty]:
                return tag, line.site.points[empty].tag
        return None

    def stopped_by(self, zone: str) -> str | None:
        """The stop or guard of a zone that is not well, as `interlock: CAUSE`."""
        for index, name in self._stops.get(zone, ()):
            if not self.line.inputs.on[index]:
                return f"interlock: {name}"
        return None

    def forbidden_by(self, zone: str, bits: int) -> str | None:
        """What takes one of these outputs of a zone away now: `interlock: CAUSE` or `device`."""
        line = self.line
        if told := self.stopped_by(zone):
            return told
        if loaded := self._would_drop(bits):
            return f"interlock: {loaded[1]}"
        lost = bits & ~line.allowed()
        if not lost:
            return None
        if lost & ~line.ready:
            return "device"
        causes = line.causes
        for number, row in enumerate(causes.rows):
            if (causes.stops(number) | causes.bars(number)) & lost:
                return f"interlock: {row.name}"
        return "interlock"

    def forbidden_text(self, zone: str, bits: int) -> str | None:
        """The same in words for a person; and a grip that is not proven empty is not opened."""
        line = self.line
        for index, name in self._stops.get(zone, ()):
            if not line.inputs.on[index]:
                return f"{name}: {line.site.points[index].tag} is not 1, or cannot be read"
        if loaded := self._would_drop(bits):
            tag, sign = loaded
            return f"{tag} would let go of what it holds: {sign} does not show that it is empty"
        lost = bits & ~line.allowed()
        if not lost:
            return None
        if silent := line.silent_for(lost & ~line.ready):
            return f"silent: {', '.join(silent)}"
        return line.cut_text(lost)
