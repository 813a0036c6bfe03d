"""What `why` says of an output in maintenance: mode, pulse or force, enabling device, warning."""

from __future__ import annotations

from typing import TYPE_CHECKING

from linectl.line.enabling import SOUNDS, WARNED
from linectl.line.pulses import SOUNDING
from linectl.line.why_causes import Check
from linectl.site.hardware import Point

if TYPE_CHECKING:
    from linectl.line.line import Line


def concerned(line: Line, point: Point) -> bool:
    """A person may drive that output now, or asks for it: a unit of its zone is in maintenance."""
    return any(unit.mode == "maintenance" for unit in line.by_hand.units_of(point.zone or ""))


def checks(line: Line, point: Point) -> list[Check]:
    """From the mode to the warning: why a pulse of that output does not come."""
    zone = point.zone or ""
    against = line.by_hand.standing_against(zone)
    by = "itself" if against is None or "moves still" in against else "command"
    text = against or "its units stand in maintenance: nothing but a person's pulse moves here"
    said = [Check("mode", against is None, text, "" if against is None else "see there", by=by)]
    said.append(_pulse(line, point))
    if point.is_bool and point.tag.rpartition(".")[2] not in SOUNDING:
        said += [_enabling(line, zone), _warning(line, zone)]
    return said


def _pulse(line: Line, point: Point) -> Check:
    """The pulse that stands, or what became of the last one of this output."""
    pulses = line.by_hand.pulses
    present, last = pulses.present, pulses.last
    if present is not None and point.tag in present.values:
        left = present.stage != "begun"
        clears = "hold the enabling device" if present.stage == "waits" else ""
        return Check("pulse", not left, pulses.text(present), clears, by="machine" if left else "")
    forced = line.interventions.forces.outputs.standing.get(point.tag)
    if forced is not None:
        return Check("force", True, line.interventions.forces.text(forced), marked=True)
    text = f"nobody asks for {point.tag}"
    if present is not None:
        text = f"{text}; {pulses.text(present)}, and there is one at a time"
    elif last is not None and last["tag"] == point.tag:
        ago_s = (line.now - last["at"]) / 1000
        text = f"{text}; its last pulse was {last['stage']} {ago_s:.0f} s ago: {last['ended_by']}"
    return Check("pulse", False, text, f"pulse {point.tag} LENGTH", by="command")


def _enabling(line: Line, zone: str) -> Check:
    enabling = line.by_hand.enabling
    tags = (f"{zone}.enabling",) if zone in enabling.points else ()
    against = enabling.against(zone)
    if against is None:
        return Check("enabling", True, f"the enabling device of {zone} is held", "", tags)
    return Check("enabling", False, against, "the person at the machine", tags, by="machine")


def _warning(line: Line, zone: str) -> Check:
    """Horn and beacon, if something waits for them."""
    stage = line.by_hand.enabling.stage(zone)
    tags = (f"{zone}.horn_on", f"{zone}.beacon_on")
    if stage == WARNED:
        return Check("warning", True, "the start warning has been given", "", tags)
    if stage == SOUNDS:
        return Check("warning", False, "horn and beacon sound first", "ends by itself", tags,
                     "itself")  # fmt: skip
    if stage:
        text = "horn and beacon did not prove themselves"
        return Check("warning", False, text, "look at horn and beacon", tags, "machine")
    text = "horn and beacon sound once a pulse stands and the enabling device is held"
    return Check("warning", False, text, "ends by itself", tags, "itself")
