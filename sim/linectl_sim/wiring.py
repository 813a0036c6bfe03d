"""The wires between sensor and register, register and actuator, and the mistakes made with them.

A sensor's signal is what comes to the card's terminal: a level, or a number in the engineering
units of its row. A mistake belongs to the register whose wires or set-up are wrong; swapped
wires join the ends of two registers. What is true in the plant stays true.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence

from linectl.errors import UsageError
from linectl.image import Value
from linectl.registers.codec import decoder, encoder
from linectl.site.faults import miswirings, swappable
from linectl.site.hardware import Point
from linectl.site.register_range import INTEGER_LIMITS

Carry = Callable[[Value], Value]
"""What becomes of a signal on its way."""


class Wiring:
    """Which register each sensor or actuator hangs on, and what is wrong in between."""

    __slots__ = ("_broken", "_crossed", "_points", "_wrong", "amiss")

    def __init__(self, points: Sequence[Point]) -> None:
        self._points = points
        self._crossed: dict[int, int] = {}
        """Registers whose wires are swapped, each with the other one."""
        self._wrong: dict[int, dict[str, Carry]] = {}
        """By register: kinds of mistake, and what each makes of a signal."""
        self._broken: set[int] = set()
        """Sensors whose wire is broken."""
        self.amiss = False
        """False: every wire is right, nobody need ask."""

    def other_end(self, index: int) -> int:
        """The register that a sensor or actuator hangs on, or what hangs on a register."""
        return self._crossed.get(index, index)

    def miswire(self, index: int, kind: str, other: int | None = None, by: float = 10.0) -> None:
        """A mistake is made at a register. UsageError if it cannot be made there."""
        point = self._points[index]
        if kind not in miswirings(point):
            raise UsageError(
                f"{point.tag} cannot be {kind!r}; possible: {', '.join(miswirings(point))}"
            )
        if kind == "swapped":
            self._cross(index, other)
        else:
            self._wrong.setdefault(index, {})[kind] = _made(point, kind, by)
        self.amiss = True

    def put_right(self, index: int) -> None:
        """Every mistake at a register is put right, at the other one too if they are swapped."""
        other = self._crossed.pop(index, None)
        if other is not None:
            del self._crossed[other]
        self._wrong.pop(index, None)
        self._look()

    def breaks(self, sensor: int, broken: bool) -> None:
        """A sensor's wire breaks, or is mended."""
        (self._broken.add if broken else self._broken.discard)(sensor)
        self._look()

    def _look(self) -> None:
        self.amiss = bool(self._crossed or self._wrong or self._broken)

    def _cross(self, index: int, other: int | None) -> None:
        one = self._points[index]
        if other is None or other == index or not swappable(one, self._points[other]):
            what = "itself" if other is None or other == index else self._points[other].tag
            raise UsageError(f"the wires of {one.tag} cannot be swapped with those of {what}")
        if {index, other} & self._crossed.keys():
            raise UsageError(f"the wires of {one.tag} or its other are swapped already")
        self._crossed[index], self._crossed[other] = other, index

    def at_register(self, sensor: int, signal: Value) -> Value:
        """What the register that a sensor hangs on shows of its signal."""
        register = self.other_end(sensor)
        if sensor in self._broken:
            return nothing(self._points[register])
        return self._carry(register, sensor, register, signal)

    def at_actuator(self, actuator: int, signals: Sequence[Value]) -> Value:
        """The signal that comes to an actuator, of what stands in the registers."""
        register = self.other_end(actuator)
        return self._carry(register, register, actuator, signals[register])

    def _carry(self, register: int, source: int, dest: int, signal: Value) -> Value:
        for made in self._wrong.get(register, {}).values():
            signal = made(signal)
        if source == dest or isinstance(signal, bool):
            return signal
        count = _counts(self._points[source], signal)
        return _value(self._points[dest], count)


def nothing(point: Point) -> Value:
    """What a register shows when no signal comes: 0, as its manual counts."""
    return False if point.is_bool else point.offset


def _counts(point: Point, value: Value) -> float:
    return (value - point.offset) / point.scale


def _value(point: Point, count: float) -> Value:
    """The engineering value of a raw number, kept within what the register holds."""
    limits = INTEGER_LIMITS.get(point.type)
    if limits is not None:
        count = min(max(round(count), limits[0]), limits[1])
    elif not math.isfinite(count):
        count = 0.0
    if point.scale == 1.0 and point.offset == 0.0:
        return count
    return count * point.scale + point.offset


def _made(point: Point, kind: str, by: float) -> Carry:
    """What a mistake makes of a signal."""
    if kind == "dead":
        return lambda signal: nothing(point)
    if kind == "inverted":
        return lambda signal: not signal
    if kind == "scale":
        if not (math.isfinite(by) and by > 0 and by != 1):
            raise UsageError(f"{point.tag}: scale off by {by!r}; a number above 0, not 1")
        return lambda signal: _value(point, _counts(point, signal) * by)
    wrong = "little" if point.word_order == "big" else "big"
    encode, decode = encoder(point), decoder(point.model_copy(update={"word_order": wrong}))

    def reordered(signal: Value) -> Value:
        held = _value(point, _counts(point, signal))
        return _value(point, _counts(point, decode(encode(held))))

    return reordered
