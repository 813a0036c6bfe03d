"""Which readings of raw registers give what the device's own display says. Pure.

A person reads 23.4 off the device. Every address, type, order and usual scale that gives 23.4
within half of its last digit is a fit. Fits are put in order of what they ask one to believe:
another address than the map's, a swapped byte order, an odd scale, a match that many other
contents would have given too. The weights are judgement, not measurement; the order of the list
is a proposal, and a second display value settles it.
"""

from __future__ import annotations

import math
import re
from collections.abc import Iterator, Mapping
from decimal import Decimal
from typing import NamedTuple

from linectl.errors import UsageError
from linectl.registers.readings import Reading, bcd, readings_at
from linectl.site.hardware import Order, WordType

_NUMBER = re.compile(r"[+-]?\d+(\.\d+)?")

SCALES: Mapping[float, float] = {
    1.0: 0, 0.1: 1, 0.01: 1, 0.001: 2, 0.0001: 4, 10.0: 2, 100.0: 3, 1000.0: 3,
    0.5: 4, 0.05: 5, 0.005: 6, 0.25: 5, 0.2: 5, 0.02: 6, 0.002: 6, 2.0: 6, 5.0: 6, 20.0: 7, 50.0: 7,
}  # fmt: skip
"""Scales that devices use (common practice, no source), with what each costs in belief."""

_ANOTHER_ADDRESS = 3.0
"""One off is the commonest error of a map; still, most maps are right."""
_ANOTHER_ORDER = 1.5
"""Than the device's declared one."""
_BYTES_SWAPPED = 4.0
_TWO_REGISTERS = 1.0
_CHANCE = 2.0
"""For each power of ten by which a fit is likelier by chance than one content in 65536."""
_BCD = 5.0
_ALIKE_MAX = 200.0
"""Contents that one display may stand for: devices hide a digit or two, seldom more."""

_SINGLE_LEAST = 1e-6
"""Smaller singles are small integers or text taken for singles."""
_SPAN: Mapping[str, int] = {"u16": 1 << 16, "i16": 1 << 16, "u32": 1 << 32, "i32": 1 << 32}
_EXPONENTS = 256
"""Of a single: every one stands for one doubling."""


class Display(NamedTuple):
    """What a display says: the value, and half of its last digit."""

    text: str
    value: float
    tolerance: float

    def shows(self, value: float) -> bool:
        """True if the display would show `value` so (the last digit rounded)."""
        slack = 1e-9 * max(1.0, abs(self.value))
        return abs(value - self.value) <= self.tolerance + slack


class Fit(NamedTuple):
    """One way to read the display's value from the registers."""

    address: int
    type: WordType | None
    """None: packed decimal digits (BCD), which the IO list has no type for."""
    word_order: Order | None
    byte_order: Order
    scale: float
    value: float
    """What it gives, scale included."""
    doubt: float
    """How much it asks one to believe; the list's order."""
    chance: float
    """Share of all contents that would have fitted just as well."""

    def cells(self) -> dict[str, str]:
        """The io.csv cells that make it so, those with the default left out; none for BCD."""
        if self.type is None:
            return {}
        cells = {"address": str(self.address), "type": self.type}
        if self.word_order is not None:
            cells["word_order"] = self.word_order
        if self.byte_order != "big":
            cells["byte_order"] = self.byte_order
        if self.scale != 1.0:
            cells["scale"] = f"{self.scale:g}"
        return cells


def display(text: str) -> Display:
    """A display's text as a value and its tolerance. Raises UsageError if it is no number."""
    cleaned = text.strip().replace("−", "-")
    if not _NUMBER.fullmatch(cleaned):
        meant = cleaned.replace(",", ".")
        hint = f"; write {meant}" if _NUMBER.fullmatch(meant) else "; write it as 23.4"
        raise UsageError(f"the display's value {text!r} is not a number{hint}")
    decimals = len(cleaned.partition(".")[2])
    half = Decimal(5).scaleb(-decimals - 1)
    return Display(cleaned, float(cleaned), float(half))


def fits(
    shown: Display,
    words: Mapping[int, int],
    pairs: Mapping[int, tuple[int, int]],
    asked: int,
    word_order: Order | None = None,
) -> tuple[Fit, ...]:
    """Every way to read `shown` from registers, the one that asks least belief first.

    words: registers by protocol address. pairs: two neighbours by the first's address, as one
    request brought them. asked: the address a person asked for. word_order: the device's.
    i16 and i32 are given only where they differ from u16 and u32: below 0x8000… both read alike.
    """
    found: list[Fit] = []
    for address, word in words.items():
        contents = pairs.get(address, (word,))
        for reading in readings_at(contents):
            found += _scaled(shown, address, asked, reading, word_order)
        found += _decimal(shown, address, asked, word)
    return tuple(sorted(found, key=lambda fit: (fit.doubt, fit.address, fit.scale)))


def by_chance(shown: Display, addresses: int) -> float:
    """How many fits random contents of so many addresses would give: what the list is worth."""
    one = sum(
        _chance(shown, kind, scale) * orders
        for kind, orders in (("u16", 2), ("u32", 4), ("f32", 4))
        for scale in (SCALES if kind != "f32" else (1.0,))
        if kind == "f32" or 2 * shown.tolerance / scale <= _ALIKE_MAX
    )
    return one * addresses


def _scaled(
    shown: Display, address: int, asked: int, reading: Reading, word_order: Order | None
) -> Iterator[Fit]:
    raw = float(reading.value)
    if not math.isfinite(raw) or (reading.type in ("i16", "i32") and raw >= 0):
        return
    single = reading.type == "f32"
    if single and raw != 0 and abs(raw) < _SINGLE_LEAST:
        return
    for scale, dear in SCALES.items():
        if (single and scale != 1.0) or not shown.shows(raw * scale):
            continue
        if not single and 2 * shown.tolerance / scale > _ALIKE_MAX:
            continue
        chance = _chance(shown, reading.type, scale)
        doubt = dear + _CHANCE * max(0.0, math.log10(chance * (1 << 16)))
        if reading.word_order is not None:
            doubt += _TWO_REGISTERS * (not single)
            doubt += _ANOTHER_ORDER * (reading.word_order != (word_order or "big"))
        doubt += _BYTES_SWAPPED * (reading.byte_order != "big")
        doubt += _ANOTHER_ADDRESS * (address != asked)
        yield Fit(
            address, reading.type, reading.word_order, reading.byte_order,
            scale, raw * scale, doubt, chance,
        )  # fmt: skip


def _decimal(shown: Display, address: int, asked: int, word: int) -> Iterator[Fit]:
    """Fits of packed decimal digits; below 10 they read as the plain integer does."""
    number = bcd(word, digits=4)
    if number is None or number < 10:
        return
    for scale, dear in SCALES.items():
        if dear <= SCALES[0.001] and shown.shows(number * scale):
            doubt = _BCD + dear + _ANOTHER_ADDRESS * (address != asked)
            chance = _chance(shown, "u16", scale)
            yield Fit(address, None, None, "big", scale, number * scale, doubt, chance)


def _chance(shown: Display, kind: str, scale: float) -> float:
    """Share of all contents of that type which the display would show alike."""
    if kind == "f32":
        low = max(abs(shown.value) - shown.tolerance, _SINGLE_LEAST)
        high = abs(shown.value) + shown.tolerance
        return math.log2(high / low) / (2 * _EXPONENTS)
    alike = max(1.0, 2 * shown.tolerance / scale)
    return min(1.0, alike / _SPAN[kind])
