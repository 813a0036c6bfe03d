"""One exchange as it is asked for, and what a device's refusals mean."""

from __future__ import annotations

from typing import NamedTuple

from linectl.registers.frames import (
    READ_COILS,
    READ_DISCRETE,
    READ_FUNCTIONS,
    READ_HOLDING,
    READ_INPUT,
    WRITE_COIL,
    WRITE_COILS,
    WRITE_REGISTER,
    WRITE_REGISTERS,
)
from linectl.site.notation import Table, reference

TABLE_OF: dict[int, Table] = {
    READ_COILS: "coil",
    READ_DISCRETE: "discrete",
    READ_HOLDING: "holding",
    READ_INPUT: "input",
    WRITE_COIL: "coil",
    WRITE_REGISTER: "holding",
    WRITE_COILS: "coil",
    WRITE_REGISTERS: "holding",
}
BIT_READS = (READ_COILS, READ_DISCRETE)

EXCEPTION_TEXT = {
    1: "the device does not know this function",
    2: "the device has no such address",
    3: "the device does not accept this quantity or value",
    4: "the device failed while doing it",
    5: "the device accepted it and is still busy",
    6: "the device is busy",
    8: "the device's memory has a parity error",
    10: "the gateway has no path",
    11: "the device behind the gateway does not answer",
}
"""MODBUS Application Protocol V1.1b3 (2012), 7."""

ANSWER_MAY_FOLLOW = frozenset({5, 6, 10, 11})
"""Refusals after which the real answer may still come: from a busy device, or through a gateway
that has given up waiting."""


class Ask(NamedTuple):
    """One exchange. `cells` are the bits or registers to write; empty for a read."""

    device: str
    unit: int
    function: int
    address: int
    quantity: int
    cells: tuple[int, ...] = ()

    @property
    def table(self) -> Table:
        return TABLE_OF[self.function]

    def __str__(self) -> str:
        if self.function not in TABLE_OF:
            return f"{self.device} (unit {self.unit}) function {self.function}"
        table, end = self.table, self.address + self.quantity - 1
        first, last = reference(table, self.address), reference(table, end)
        span, numbers = f"{self.address}", first
        if self.quantity > 1:
            span, numbers = f"{span}–{end}", f"{first}–{last}"
        return (
            f"{self.device} (unit {self.unit}) function {self.function}, "
            f"{table} {span} (reference {numbers})"
        )


def read_of(ask: Ask, address: int, quantity: int) -> Ask:
    """Another read of the table that `ask` reads or writes, at the same device."""
    return Ask(ask.device, ask.unit, READ_FUNCTIONS[ask.table], address, quantity)
