"""Every reading of raw registers: integers, singles, the four orders, bits, BCD, ASCII. Pure.

A register says nothing of what it means. These are all the ways in which a device may have meant
it, in the words of the IO list (`type`, `word_order`, `byte_order`), decoded by the very codec
that the line reads its points with.

The order of the two registers of a 32-bit value is not specified (MODBUS Application Protocol
V1.1b3, 4.2 orders the bytes of one register only). The four letters name the bytes from the most
significant (A) to the least (D), in the order in which they travel: common practice, no source.
"""

from __future__ import annotations

from collections.abc import Sequence
from functools import cache
from typing import NamedTuple

from linectl.image import Value
from linectl.registers.codec import Decoder, decoder
from linectl.site.hardware import Order, Point, WordType

WORD_TYPES: tuple[WordType, ...] = ("u16", "i16")
PAIR_TYPES: tuple[WordType, ...] = ("u32", "i32", "f32")

_PRINTABLE = range(0x20, 0x7F)


class WireOrder(NamedTuple):
    """One of the four ways in which four bytes may travel in two registers."""

    letters: str
    word_order: Order
    byte_order: Order


ORDERS = (
    WireOrder("ABCD", "big", "big"),
    WireOrder("CDAB", "little", "big"),
    WireOrder("BADC", "big", "little"),
    WireOrder("DCBA", "little", "little"),
)


class Reading(NamedTuple):
    """One raw value, before scale and offset, and the io.csv cells that read it so."""

    type: WordType
    word_order: Order | None
    """None for one register, which has none."""
    byte_order: Order
    value: Value


class WordReadings(NamedTuple):
    """One register, read in every way."""

    word: int
    u16: int
    i16: int
    swapped_u16: int
    """With byte_order little."""
    swapped_i16: int
    bcd: int | None
    """Four decimal digits, one in each four bits; None if a digit is above 9."""
    ascii: str
    """The high byte's character first; `·` for what cannot be printed."""

    @property
    def hex(self) -> str:
        return f"{self.word:04X}"

    @property
    def bits(self) -> tuple[int, ...]:
        """Bit 0, the least significant, to bit 15."""
        return tuple(self.word >> place & 1 for place in range(16))


class PairReading(NamedTuple):
    """Two registers in one of the four orders."""

    order: WireOrder
    u32: int
    i32: int
    f32: float
    """May be nan or infinite: then it is no single."""
    bcd: int | None
    """Eight decimal digits."""


def word_readings(word: int) -> WordReadings:
    """Every reading of one register, 0–65535."""
    return WordReadings(
        word=word,
        u16=word,
        i16=int(_decode("i16", None, "big")((word,))),
        swapped_u16=int(_decode("u16", None, "little")((word,))),
        swapped_i16=int(_decode("i16", None, "little")((word,))),
        bcd=bcd(word, digits=4),
        ascii=characters((word,)),
    )


def pair_readings(words: Sequence[int]) -> tuple[PairReading, ...]:
    """Every reading of two registers, `words` in the order they travel."""
    made = []
    for order in ORDERS:
        u32 = int(_decode("u32", order.word_order, order.byte_order)(words))
        made.append(
            PairReading(
                order=order,
                u32=u32,
                i32=int(_decode("i32", order.word_order, order.byte_order)(words)),
                f32=float(_decode("f32", order.word_order, order.byte_order)(words)),
                bcd=bcd(u32, digits=8),
            )
        )
    return tuple(made)


def readings_at(words: Sequence[int]) -> tuple[Reading, ...]:
    """Every value that the IO list can read from `words[0]` on: one register, and two if given."""
    found = [
        Reading(kind, None, order, _decode(kind, None, order)(words))
        for order in ("big", "little")
        for kind in WORD_TYPES
    ]
    if len(words) > 1:
        found += [
            Reading(
                kind, o.word_order, o.byte_order, _decode(kind, o.word_order, o.byte_order)(words)
            )
            for o in ORDERS
            for kind in PAIR_TYPES
        ]
    return tuple(found)


def bcd(value: int, digits: int) -> int | None:
    """The number that `value` spells in packed decimal digits; None if one is above 9."""
    text = f"{value:0{digits}X}"
    return int(text) if text.isdecimal() else None


def characters(words: Sequence[int]) -> str:
    """Two ASCII characters a register, high byte first; `·` for what cannot be printed."""
    data = b"".join(word.to_bytes(2, "big") for word in words)
    return "".join(chr(byte) if byte in _PRINTABLE else "·" for byte in data)


@cache
def _decode(kind: WordType, word_order: Order | None, byte_order: Order) -> Decoder:
    """The codec's own decoder of a point without scale."""
    return decoder(
        Point(
            index=0,
            line=0,
            tag="reading",
            direction="in",
            device="reading",
            table="holding",
            address=0,
            type=kind,
            word_order=word_order,
            byte_order=byte_order,
        )
    )
