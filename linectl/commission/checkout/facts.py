"""What a checkout knows of a point: its role, its normal state, what moves it or is moved by it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Literal

from linectl.commission.io_sheet import sheet_of
from linectl.line.own_stop import DRIVEN_BY
from linectl.site.hardware import Point
from linectl.site.model import Site
from linectl.site.parts import Need, needs_of

Kind = Literal["input", "analogue", "counter", "output", "set-point"]

WITH_OUTPUT = frozenset(
    (
        "horn_on", "beacon_on", "running", "doser_running", "brush_running", "drum_running",
        "brake_released",
    )
)  # fmt: skip
"""Inputs that nobody's hand can work: they are tried with the output that drives them."""
OPPOSITE = {"to_0": "to_90", "extend": "retract", "stroke": "back", "up": "down"}
OPPOSITE |= {other: one for one, other in OPPOSITE.items()}
"""Outputs of one part that drive the same motion, each its own way."""
WARNERS = ("horn", "beacon")


@dataclass(frozen=True)
class Item:
    """One point to check out."""

    point: Point
    need: Need
    normal: bool | None
    """Of a healthy, empty line at rest; None if it may be either way, and of numbers."""

    @property
    def tag(self) -> str:
        return self.point.tag

    @property
    def role(self) -> str:
        return self.need.role.name

    @property
    def part(self) -> str:
        return self.need.part

    @property
    def zone(self) -> str:
        return self.need.zone

    @property
    def kind(self) -> Kind:
        if self.point.direction == "out":
            return "output" if self.point.is_bool else "set-point"
        if self.point.is_bool:
            return "input"
        return "counter" if self.need.role.kind == "counter" else "analogue"


class Facts:
    """Every point of a site as a checkout knows it, and who drives whom."""

    def __init__(self, site: Site) -> None:
        self.site = site
        needs, normal = needs_of(site.file), _normals(site)
        self.items: Mapping[str, Item] = {
            point.tag: Item(point, needs[point.tag], normal.get(point.tag))
            for point in site.points
        }  # fmt: skip
        self.drivers: dict[str, tuple[str, ...]] = {}
        """Input → outputs of its part that drive it."""
        self.feedbacks: dict[str, tuple[str, ...]] = {}
        """Output → inputs of its part that it drives."""
        for tag, item in self.items.items():
            if item.point.direction == "in":
                made = [f"{item.part}.{role}" for role in DRIVEN_BY.get(item.role, ())]
                self.drivers[tag] = tuple(one for one in made if one in self.items)
                for one in self.drivers[tag]:
                    self.feedbacks[one] = (*self.feedbacks.get(one, ()), tag)

    def tried_with(self, tag: str) -> str | None:
        """The output with which an input is tried; None for one that is worked by hand."""
        item = self.items[tag]
        if item.role not in WITH_OUTPUT or not self.drivers[tag]:
            return None
        return self.drivers[tag][0]

    def opposite(self, tag: str) -> str | None:
        """The output that drives the same motion the other way."""
        item = self.items[tag]
        other = f"{item.part}.{OPPOSITE.get(item.role, '')}"
        return other if other in self.items else None

    def needed_first(self, tag: str) -> tuple[str, ...]:
        """What of its zone must have passed before an output is offered."""
        item = self.items[tag]
        if item.role in WARNERS:
            return (f"{item.zone}.estop_ok",)
        roles = ("estop_ok", "enabling", "horn_on", "beacon_on")
        return tuple(f"{item.zone}.{role}" for role in roles)


def _normals(site: Site) -> dict[str, bool]:
    """The normal state of every point that has one, by tag."""
    return {
        place.point.tag: place.normal
        for device in site.file.devices
        for places in sheet_of(site, device).tables.values()
        for place in places
        if place.point is not None and place.normal is not None
    }
