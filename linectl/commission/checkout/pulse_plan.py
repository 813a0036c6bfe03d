"""What one pulse of an output is to be: how long, with what beside it, what should answer."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from linectl.commission.checkout.facts import Facts, Item
from linectl.commission.person import Reading
from linectl.line.pulse_limits import companions, pulse_most_ms
from linectl.site.durations import format_duration
from linectl.site.machine import Carriage, Conveyor, Fill, Seed, Water
from linectl.site.model import Site

TURNS_MS = 3_000
"""A drive turns so long that a person sees which way (common practice, no source)."""
SLOW = 0.25
"""Share of its usual speed at which a drive is tried (common practice, no source)."""
STEP_MM = 300
"""A carriage's first way: seen by a person, short of the next lane (common practice, no source)."""

ENDS: dict[str, dict[str, bool]] = {
    "gate": {"gate_home": True},
    "press": {"press_down": True, "press_up": False},
    "to_0": {"at_0": True, "at_90": False},
    "to_90": {"at_90": True, "at_0": False},
    "extend": {"gripper_out": True, "gripper_home": False},
    "retract": {"gripper_home": True, "gripper_out": False},
    "stroke": {"forward": True, "home": False},
    "back": {"home": True, "forward": False},
    "up": {"at_up": True, "at_down": False},
    "down": {"at_down": True, "at_up": False},
    "air": {"air_ok": True},
    "run": {"running": True},
    "doser": {"doser_running": True},
    "brush": {"brush_running": True},
    "drum": {"drum_running": True},
    "brake": {"brake_released": True},
    "horn": {"horn_on": True},
    "beacon": {"beacon_on": True},
}
"""Role of an output → what its feedbacks come to while it is on. What needs a gutter (clamp, grip)
has none here: without one nothing answers."""
TRAVELS = frozenset(("gate", "press", "to_0", "to_90", "extend", "retract", "stroke", "back", "up"))
TRAVELS |= {"down", "air"}
"""Roles whose pulse may end when their feedback has come: there is no more to see."""


@dataclass(frozen=True)
class Pulse:
    """One pulse, as it is told, confirmed and commanded."""

    tag: str
    most_ms: int
    beside: Mapping[str, float]
    """Outputs that go with it, with their values."""
    value: bool
    """What the output itself comes to: off where it stands on, as air does."""
    awaited: Mapping[str, bool]
    """Feedbacks, with what each comes to."""
    until_seen: bool
    """It is ended as soon as they have come."""

    @property
    def argument(self) -> str:
        """Of the command `pulse`. It names the value that was told and confirmed: left out, the
        line would turn over what stands by then."""
        more = (f" {tag}={value:g}" for tag, value in self.beside.items())
        return f"{self.tag} {format_duration(self.most_ms)} {int(self.value)}{''.join(more)}"

    def told(self, facts: Facts) -> list[str]:
        """In words: what is commanded, and what should answer."""
        beside = ", ".join(
            f"{tag} {value:g} {facts.items[tag].point.unit}".rstrip()
            for tag, value in self.beside.items()
        )
        ends = ", ended when its feedback comes" if self.until_seen else ""
        what = "on" if self.value else "OFF, for it stands on"
        lines = [f"one pulse {what}, of at most {format_duration(self.most_ms)}{ends}"]
        if beside:
            lines.append(f"with it: {beside}")
        told = ", ".join(f"{tag} {int(value)}" for tag, value in self.awaited.items())
        lines.append(f"should answer: {told or 'nothing; look at it'}")
        return lines


def pulse_of(facts: Facts, item: Item, points: Mapping[str, Reading]) -> Pulse:
    """The pulse with which an on/off output is tried, as things stand now."""
    site, tag = facts.site, item.tag
    value = points.get(tag) is not True
    ends = _ends(facts, item, value)
    mates = _mates(facts, item, points)
    for mate in mates:  # what a brake lets go travels to its end, and does not hang between
        if facts.items[mate].role in TRAVELS:
            ends |= _ends(facts, facts.items[mate], True)
    travels = bool(ends) and any(facts.items[one].role in TRAVELS for one in (tag, *mates))
    most_ms = min(pulse_most_ms(site, one) for one in (tag, *mates))
    if not travels:
        most_ms = min(most_ms, TURNS_MS)
    beside = dict.fromkeys(mates, 1.0)
    if (number := _set_point(site, item, points)) is not None:
        beside[number[0]] = number[1]
    return Pulse(tag, most_ms, beside, value, ends, travels)


def _ends(facts: Facts, item: Item, value: bool) -> dict[str, bool]:
    """Feedbacks of an output, and what they come to while it stands at that value."""
    return {
        f"{item.part}.{role}": end is value
        for role, end in ENDS.get(item.role, {}).items()
        if f"{item.part}.{role}" in facts.items
    }


def _mates(facts: Facts, item: Item, points: Mapping[str, Reading]) -> tuple[str, ...]:
    """The output that must go with it: a lift's drive with its brake, away from where it stands."""
    able = companions(facts.site, item.tag)
    for mate in able:
        ends = _ends(facts, facts.items[mate], True)
        if ends and all(points.get(tag) is value for tag, value in ends.items()):
            continue
        return (mate,)
    return able[:1]


def _set_point(
    site: Site, item: Item, points: Mapping[str, Reading]
) -> tuple[str, float] | None:  # fmt: skip
    """The set-point without which a drive or tool would do nothing: slow, and within its range."""
    station = site.file.stations.get(item.part)
    match station, item.role:
        case Conveyor(), "run":
            low = station.speed_range_mm_s.least if station.speed_range_mm_s else 0.0
            return f"{item.part}.speed", max(low, round(station.speed_mm_s * SLOW))
        case Fill(), "doser":
            return f"{item.part}.doser_rate", _low(station.doser_range_ml_s)
        case Water(), "valve":
            return f"{item.part}.flow_rate", _low(station.flow_range_ml_s)
        case Seed(), "drum":
            return f"{item.part}.drum_rate", _low(station.drum_range_seeds_s)
        case Carriage(), "run":
            return _way(site, item, points)
    return None


def _low(able: object) -> float:
    """A low rate within what the device can do; 1 where nothing is declared."""
    least, most = getattr(able, "least", 0.0), getattr(able, "most", 4.0)
    return float(least + SLOW * (most - least))


def _way(site: Site, item: Item, points: Mapping[str, Reading]) -> tuple[str, float] | None:
    """A carriage's target: a short way toward the middle of its track."""
    here = points.get(f"{item.part}.position")
    if here is None:
        return None
    ends = [
        lane.infeed_mm if site.file.stations[item.part].kind == "infeed" else lane.outfeed_mm
        for lane in site.file.lanes
    ]
    middle = (min(ends) + max(ends)) / 2
    return f"{item.part}.target", float(round(here + (STEP_MM if here <= middle else -STEP_MM)))
