"""Forces: values at the image that a person sets, and the two views of inputs that follow.

`line.inputs` is what the field says: causes, the gate, the start warning, the control place and
the reset buttons read nothing else, so a force never beats an interlock. `line.seen` is what
stations, carriages and lanes read: the same, with the forced values over it. An output is not
forced: what moves is moved by its owner through the gate.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from linectl.image import Value
from linectl.line.grants import GRANT_MS_MAX, Grant, Grants, terms
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
_ON = frozenset(("1", "on", "true"))
_OFF = frozenset(("0", "off", "false"))


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

    def begin(self, tag: str, word: str, duration: str, reason: str, by: str) -> str | None:
        """Force an input. None when it stands, else why not."""
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
        return self.add(tag, value, length_ms, reason, by)

    def _refusal(self, tag: str) -> str | None:
        point = self.line.site.points[self.line.site_io[tag]]
        if point.direction == "out":
            return (
                f"{tag} is an output, and outputs are not forced while the line controls: what"
                " moves is moved by its station through the gate; single pulses belong to checkout"
            )
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
        point = self.line.site.points[index]
        if point.is_bool:
            if word.lower() in _ON | _OFF:
                return word.lower() in _ON
            return f"{word!r} is no value of {point.tag}: 1 or 0, as why shows it"
        try:
            number = float(word)
        except ValueError:
            number = math.nan
        if not math.isfinite(number):
            return f"{word!r} is no value of {point.tag}: a number in {point.unit or 'its unit'}"
        return number

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
        io = self.line.site_io
        self.seen.lay(self.line.inputs, {io[tag]: g.value for tag, g in self.standing.items()})
