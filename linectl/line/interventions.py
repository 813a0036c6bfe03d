"""What people have set for a time: bypasses, forces, overrides. Three lists, three counters."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any

from linectl.image import Left
from linectl.line.bypasses import Bypasses
from linectl.line.forces import Forces
from linectl.line.overrides import Overrides

if TYPE_CHECKING:
    from linectl.line.line import Line
    from linectl.line.units import Unit

KINDS = ("bypass", "force", "override")


class Interventions:
    """The three lists, and what the line asks of all of them."""

    def __init__(self, line: Line) -> None:
        self.bypasses = Bypasses(line)
        self.forces = Forces(line)
        self.overrides = Overrides(line)
        self.ended_at_start: list[str] = []
        """Forces and overrides that the restart has ended, for whoever asks."""
        self._lists = (self.bypasses, self.forces, self.overrides)

    def expire(self, changed: list[int], now: int) -> None:
        """Before anything is judged: what is over ends; forces lie over what has changed."""
        for each in self._lists:
            each.expire(now)
        if self.forces.standing and changed:
            self.forces.show()

    def left(self, rows: Sequence[Left], exposure: Mapping[str, list[int]]) -> None:
        """At start: what the record has as set by people when the controller ended."""
        of_kind = {kind: [row for row in rows if row.kind == kind] for kind in KINDS}
        self.bypasses.left(of_kind["bypass"], exposure)
        self.ended_at_start = [
            *self.forces.left(of_kind["force"]), *self.overrides.left(of_kind["override"])
        ]  # fmt: skip

    def next_due(self) -> int:
        """When the earliest is over."""
        return min(each.next_due() for each in self._lists)

    def concern(self, unit: Unit) -> bool:
        """One stands that concerns the unit: it does not start by itself."""
        return any(each.concerns(unit) for each in self._lists)

    def mode_changed(self, unit: Unit) -> None:
        """A unit has another mode: what people had set for it is over."""
        for each in self._lists:
            each.mode_changed(unit)

    def status(self) -> dict[str, Any]:
        """Counters and lists for `status`."""
        return {
            "forced": len(self.forces.standing),
            "bypassed": len(self.bypasses.standing),
            "overridden": len(self.overrides.standing),
            "force_list": self.forces.listed(),
            "bypass_list": self.bypasses.listed(),
            "override_list": self.overrides.listed(),
            "exposure": self.bypasses.exposure(),
            "ended_at_start": self.ended_at_start,
        }

    def plain(self) -> dict[str, Any]:
        """The state as plain data."""
        return {
            "bypasses": self.bypasses.plain(),
            "forces": self.forces.plain(),
            "force_asked": list(self.forces.asked),
            "overrides": self.overrides.plain(),
            "ended_at_start": self.ended_at_start,
        }

    def fill(self, saved: dict[str, Any]) -> None:
        """Take over what `plain` gave; inputs and causes have been filled before."""
        self.bypasses.fill(saved["bypasses"])
        self.forces.fill(saved["forces"])
        self.forces.asked = (saved["force_asked"][0], saved["force_asked"][1])
        self.overrides.fill(saved["overrides"])
        self.ended_at_start = list(saved["ended_at_start"])
