"""What people do in the field at sensors and wires: hold, miswire, break, and put right."""

from __future__ import annotations

from typing import Any

from linectl.errors import UsageError
from linectl.image import Value
from linectl_sim.faults import nearest
from linectl_sim.machine import Machine


class FieldVerbs:
    """A tag that the site does not have, or what cannot be at it, is a UsageError."""

    def __init__(self, machine: Machine) -> None:
        self._world = machine.world
        self._points = machine.world.points
        self._wiring = machine.world.points.wiring
        self.acts = {
            "hold sensor": self._hold,
            "let go": lambda tag, _: self._points.override(self._tag(tag, "in"), None),
            "swap wires": lambda tag, options: self._miswire(tag, {**options, "kind": "swapped"}),
            "miswire": self._miswire,
            "put wires right": lambda tag, _: self._put_right(tag),
            "break wire": lambda tag, _: self._break(tag, broken=True),
            "mend wire": lambda tag, _: self._break(tag, broken=False),
        }

    def _tag(self, tag: str, direction: str = "") -> int:
        points = self._world.site.points
        tags = {p.tag: p.index for p in points if direction in ("", p.direction)}
        if tag not in tags:
            what = {"in": "input", "": "point"}[direction]
            raise UsageError(f"no such {what}: {tag!r}{nearest(tag, tags)}")
        return tags[tag]

    def _hold(self, tag: str, options: dict[str, Any]) -> None:
        """Whatever is true, the sensor tells `value` (the meaning, before any inversion)."""
        self._points.override(self._tag(tag, "in"), self._value(tag, options.get("value")))

    def _value(self, tag: str, value: Any) -> Value:
        is_bool = self._world.site.points[self._tag(tag)].is_bool
        fits = isinstance(value, bool) if is_bool else isinstance(value, int | float)
        if not fits or is_bool is not isinstance(value, bool):
            kind = "true or false" if is_bool else "a number"
            raise UsageError(f"hold sensor {tag}: value must be {kind}, not {value!r}")
        told: Value = value
        return told

    def _miswire(self, tag: str, options: dict[str, Any]) -> None:
        kind, other, by = options.get("kind"), options.get("other"), options.get("by", 10)
        index = self._tag(tag)
        if isinstance(by, bool) or not isinstance(by, int | float):
            raise UsageError(f"miswire {tag}: by must be a number, not {by!r}")
        swapped = kind == "swapped"
        if swapped and other is None:
            raise UsageError(f"miswire {tag}: say with which other point it is swapped")
        far = self._tag(str(other)) if swapped else None
        self._wiring.miswire(index, str(kind), far, float(by))
        self._tell(index, far)

    def _put_right(self, tag: str) -> None:
        index = self._tag(tag)
        far = self._wiring.other_end(index)
        self._wiring.put_right(index)
        self._tell(index, far)

    def _break(self, tag: str, broken: bool) -> None:
        index = self._tag(tag, "in")
        self._wiring.breaks(index, broken)
        self._tell(index, None)

    def _tell(self, *ends: int | None) -> None:
        """The wires of these have changed."""
        for index in {end for end in ends if end is not None}:
            if self._world.site.points[index].direction == "in":
                self._points.tell(index)
            else:
                self._world.outputs.settle(index)
