"""Forces: values at the image that a person sets, and the two views of inputs that follow.

`line.inputs` is what the field says: causes, the gate, the start warning, the control place, the
enabling devices and the reset buttons read nothing else, so a force never beats an interlock.
`line.seen` is what stations, carriages and lanes read: the same, with the forced values over it.
A forced output is one more demand at the gate (`output_forces.py`).
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from linectl.image import Value
from linectl.line.grants import GRANT_MS_MAX, Grant, Grants, terms
from linectl.line.output_forces import OutputForces
from linectl.line.pulse_asked import value_of
from linectl.site.complaints import nearest
from linectl.site.durations import format_duration
from linectl.site.never_bypassed import never_bypassed
from linectl.site.parts import needs_of
from linectl.site.roles import PERMISSIVES

if TYPE_CHECKING:
    from linectl.line.inputs import Inputs
    from linectl.line.line import Line
    from linectl.line.units import Unit

HOLDS_A_LOAD = frozenset(("on_board", "gripped", "brake_released"))
"""Inputs by which a grip is opened or a lift driven."""
AGAIN_MS = 60_000
"""Within this time a command that must come twice must have come again."""


class Seen:
    """What stations read, by point index; the field's own lists while nothing is forced."""

    def __init__(self, inputs: Inputs) -> None:
        self.lay(inputs, {})

    def lay(self, inputs: Inputs, forced: dict[int, Value]) -> None:
        """Lay the forced values over what the field says."""
        self.on, self.off = inputs.on, inputs.off
        self.value, self.good = inputs.value, inputs.good
        if not forced:
            return
        self.on, self.off = list(self.on), list(self.off)
        self.value, self.good = list(self.value), list(self.good)
        for index, value in forced.items():
            self.good[index] = True
            if isinstance(value, bool):
                self.on[index], self.off[index] = value, not value
            else:
                self.value[index] = float(value)


class Forces(Grants):
    """Values at the image by tag: bools as `why` shows them, numbers in the point's unit."""

    KIND = "force"

    def __init__(self, line: Line) -> None:
        super().__init__(line)
        self.seen = Seen(line.inputs)
        self._needs = needs_of(line.site.file)
        self.outputs = OutputForces(self)
        self.asked: tuple[str, int] = ("", 0)
        """A force that must be asked for twice and was once, and until when it counts, ms."""
        self._read_by: dict[int, str] = {}
        """Points that interlocks read: the name of one."""
        for row in line.causes.rows:
            if not row.silence and not row.together_ms:
                self._read_by.update({test.index: row.name for test in row.tests})

    def begin(self, tag: str, word: str, duration: str, reason: str, by: str) -> str | None:
        """Force an input or an output. None when it stands, else why not."""
        index = self.line.site_io.get(tag)
        if index is None:
            near = nearest(tag, self.line.site_io)
            return f"no tag {tag!r}" + (f"; {near}" if near else "")
        if why := self._refusal(tag):
            return why
        value = self._value(index, word)
        if isinstance(value, str):
            return value
        length_ms = terms(duration, reason, by, GRANT_MS_MAX)
        if isinstance(length_ms, str):
            return length_ms
        if tag in self.outputs.points and (why := self.outputs.refusal(tag, value, length_ms)):
            return why
        if why := self._again(index, " ".join((tag, word, duration, reason, by))):
            return why
        return self.add(tag, value, length_ms, reason, by)

    def _again(self, index: int, command: str) -> str | None:
        """A point that interlocks read: refused, or only when the command comes twice."""
        row = self._read_by.get(index)
        if row is None:
            return None
        tag, now = self.line.site.points[index].tag, self.line.now
        if self.line.site.file.forces.interlock_points == "refused":
            return f"the interlock {row} reads {tag}: this site forces no such point (forces)"
        before, self.asked = self.asked, (command, now + AGAIN_MS)
        if before[0] == command and now <= before[1]:
            self.asked = ("", 0)
            return None
        self.line.changed = True
        return (
            f"the interlock {row} reads {tag} too and believes no force: stations will act against"
            f" it. If that is meant, give the same command again within {AGAIN_MS // 1000} s"
        )

    def _refusal(self, tag: str) -> str | None:
        if tag in self.outputs.points:
            return None
        if protects := never_bypassed((tag,)):
            return f"{protects}, which is never forced"
        need = self._needs.get(tag)
        if need is None or need.role.name in PERMISSIVES:
            return f"only interlocks read {tag}, and a force never beats an interlock"
        if need.role.name in HOLDS_A_LOAD:
            return f"{tag} tells what a grip or a lift holds: forced, it could let a gutter fall"
        if need.role.kind == "counter":
            return f"{tag} is a counter: it is read from poll to poll, and not forced"
        return None

    def _value(self, index: int, word: str) -> Value | str:
        return value_of(self.line.site.points[index], word)

    def units_of(self, name: str) -> tuple[Unit, ...]:
        need = self._needs.get(name)
        unit = self.line.site.file.zones[need.zone].unit if need is not None else None
        return tuple(u for u in self.line.units if unit is None or u.name == unit)

    def text(self, grant: Grant) -> str:
        span = format_duration(grant.due - grant.since)
        return f"{grant.name} forced to {grant.shown} by {grant.by} for {span}: {grant.reason}"

    def altered(self) -> None:
        self.show()

    def show(self) -> None:
        """The field has said something new, or a force came or went."""
        io, outputs = self.line.site_io, self.outputs
        outputs.show()
        forced = {io[t]: g.value for t, g in self.standing.items() if t not in outputs.points}
        self.seen.lay(self.line.inputs, forced)

    def listed(self) -> list[dict[str, Any]]:
        """Beside each its true value: what the field says (None: not good); of an output what the
        line itself asks for, and whether the force is in effect or waits for its warning."""
        return [{**row, **self._beside(row["name"])} for row in super().listed()]

    def _beside(self, tag: str) -> dict[str, Any]:
        line, index = self.line, self.line.site_io[tag]
        if tag in self.outputs.points:
            effect = self.outputs.in_effect(tag, self.standing[tag].value)
            own: Value = bool(line.own_demand() >> index & 1)
            if not line.site.points[index].is_bool:
                own = line.numbers.get(index, line.site.points[index].safe)
            return {"direction": "out", "true": own, "in_effect": effect}
        inputs = line.inputs
        true: Value | None = None
        if inputs.good[index]:
            is_bool = line.site.points[index].is_bool
            true = inputs.on[index] if is_bool else inputs.value[index]
        return {"direction": "in", "true": true, "in_effect": True}
