"""Which functions write to a device: tried by writing back the value that was just read.

It is still a write. An output that had fallen to its safe value comes back under control of the
bus, and a device may act on a write that changes nothing. So it is never done unasked: the caller
shows `what_could_move` and lets a person type the device's name.
"""

from __future__ import annotations

from collections.abc import Iterable
from typing import Literal, NamedTuple

from linectl.commission.survey import Where
from linectl.commission.talk import Talk
from linectl.field.modbus import Ask
from linectl.registers.frames import (
    WRITE_COIL,
    WRITE_COILS,
    WRITE_REGISTER,
    WRITE_REGISTERS,
)
from linectl.site.hardware import Point
from linectl.site.notation import Table

CAUTION = (
    "Writing can move machinery: it wakes outputs that had fallen to safe values, and a device may "
    "act on any write. Lock the machine out first and see that nobody is at it. linectl is no "
    "safety function."
)

Functions = Literal["single", "multiple", "both"]


class WriteTrial(NamedTuple):
    """What came of writing one cell back."""

    table: Table
    address: int
    value: int | None
    """None: it could not be read, so nothing was written."""
    single: str
    """Empty if function 5 or 6 was taken; else the kind of the answer; `-` if not tried."""
    multiple: str
    """The same for 15 or 16."""
    changed: bool
    """True if the cell did not hold the value afterwards."""

    @property
    def functions(self) -> Functions | None:
        """As site.yaml writes it; None if neither was taken."""
        if not self.single:
            return "single" if self.multiple else "both"
        return None if self.multiple else "multiple"


def what_could_move(points: Iterable[Point]) -> tuple[str, ...]:
    """The outputs of a device in words, those that carry a load first."""
    outputs = [point for point in points if point.direction == "out"]
    outputs.sort(key=lambda point: (not point.holds_load, point.on_loss is None, point.index))
    return tuple(
        point.tag
        + (f" ({point.on_loss} when lost)" if point.on_loss else "")
        + (", carries a load" if point.holds_load else "")
        for point in outputs
    )


def try_writes(talk: Talk, where: Where, table: Table, address: int) -> WriteTrial:
    """Reads one coil or holding register and writes it back with either function.

    It is read again before each write, so that as little as can be goes by between the two.
    """
    bits = table == "coil"
    kinds: list[str] = []
    for function in (WRITE_COIL, WRITE_COILS) if bits else (WRITE_REGISTER, WRITE_REGISTERS):
        before = talk.read(where.name, where.unit, table, address, 1, where.pause_ms)
        if not before.good:
            return WriteTrial(table, address, None, *_padded(kinds), False)
        ask = Ask(where.name, where.unit, function, address, 1, before.cells)
        kinds.append(talk.write(ask, where.pause_ms).kind)
    after = talk.read(where.name, where.unit, table, address, 1, where.pause_ms)
    changed = after.good and after.cells != before.cells
    return WriteTrial(table, address, before.cells[0], kinds[0], kinds[1], changed)


def _padded(kinds: list[str]) -> tuple[str, str]:
    return (kinds[0] if kinds else "-", "-")
