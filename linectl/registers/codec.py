"""Values to registers and back: types, word and byte order, bits, scale and offset. Pure.

    engineering value = raw × scale + offset

The raw number is what the device's manual calls it: a signed or unsigned integer of 16 or 32
bits, or an IEEE 754 single. A register travels with its high byte first (MODBUS Application
Protocol V1.1b3, 4.2); which of two registers comes first is not specified there, so a 32-bit
point must say its word order. Byte order `little` means that the device swaps the two bytes of
each register. `invert` is not here: it belongs to the line's conditioning.

A closure per point is built once (`decoder`, `encoder`), because every sample goes through it.
"""

from __future__ import annotations

import math
import struct
from collections.abc import Callable, Sequence

from linectl.errors import OutOfRange, UsageError
from linectl.image import Value
from linectl.site.hardware import Point
from linectl.site.notation import both_ways
from linectl.site.register_range import INTEGER_LIMITS, SINGLE_MAX

Decoder = Callable[[Sequence[int]], Value]
Encoder = Callable[[Value], tuple[int, ...]]

_SINGLE = struct.Struct(">f")


def decode(point: Point, words: Sequence[int], at: int = 0) -> Value:
    """Engineering value of `point` from its words (or its coil's bit) at `words[at]` on."""
    return decoder(point, at)(words)


def encode(point: Point, value: Value) -> tuple[int, ...]:
    """The point's words in the order they travel, or (0|1,) for a coil.

    A bit of a register gives that register with only its bit set or clear: the register's one
    owner joins the bits. Raises OutOfRange when the raw value does not fit the type.
    """
    return encoder(point)(value)


def decoder(point: Point, at: int = 0) -> Decoder:
    """A function that takes a block of words (or bits) and returns the point's value.

    `at`: place of the point's first word in that block. Values without scale and with a whole
    offset stay int. A single that is not a number comes back as nan: the caller calls it bad.
    Raises UsageError when a 32-bit point has no word order.
    """
    if point.type == "bool":
        return _bit_decoder(point, at)
    raw = _raw_decoder(point, at)
    scale, offset = point.scale, point.offset
    if point.type == "f32":
        if scale == 1.0 and offset == 0.0:
            return raw
        return lambda words: raw(words) * scale + offset
    if scale == 1.0 and offset == 0.0:
        return raw
    if float(scale).is_integer() and float(offset).is_integer():
        whole_scale, whole_offset = int(scale), int(offset)
        return lambda words: raw(words) * whole_scale + whole_offset
    return lambda words: raw(words) * scale + offset


def encoder(point: Point) -> Encoder:
    """A function that takes the engineering value and returns the words; see `encode`."""
    if point.type == "bool":
        return _bit_encoder(point)
    if point.scale == 0:
        raise UsageError(f"{point.tag}: scale 0 cannot be written; the manual's factor is needed")
    split = _splitter(point)
    if point.type == "f32":
        return _single_encoder(point, split)
    low, high = INTEGER_LIMITS[point.type]
    scale, offset = point.scale, point.offset

    def encode_integer(value: Value) -> tuple[int, ...]:
        if not math.isfinite(value):
            raise OutOfRange(_refusal(point, value, low * scale + offset, high * scale + offset))
        raw = round((value - offset) / scale)
        if not low <= raw <= high:
            raise OutOfRange(_refusal(point, value, low * scale + offset, high * scale + offset))
        return split(raw)

    return encode_integer


def _refusal(point: Point, value: Value, one_end: float, other_end: float) -> str:
    low, high = min(one_end, other_end), max(one_end, other_end)
    unit = f" {point.unit}" if point.unit else ""
    return (
        f"{point.tag}: {value}{unit} does not fit {point.type} at {point.device} "
        f"{both_ways(point.table, point.address, point.words)}; possible is {low:g} to "
        f"{high:g}{unit}. Nothing was written"
    )


def _bit_decoder(point: Point, at: int) -> Decoder:
    if point.bit is None:
        return lambda bits: bits[at] != 0
    mask = _mask(point)
    return lambda words: words[at] & mask != 0


def _bit_encoder(point: Point) -> Encoder:
    one = (1,) if point.bit is None else (_mask(point),)
    zero = (0,)
    return lambda value: one if value else zero


def _mask(point: Point) -> int:
    """The bit's mask in the register as it travels; bit 0 is the least significant."""
    mask = 1 << (point.bit or 0)
    return _swap(mask) if point.byte_order == "little" else mask


def _swap(word: int) -> int:
    return (word & 0xFF) << 8 | word >> 8


def _word_order(point: Point) -> str:
    if point.word_order is None:
        raise UsageError(
            f"{point.tag}: {point.type} takes two registers and no word order is given; "
            "write big (high word first) or little, as the device's manual says"
        )
    return point.word_order


def _raw_decoder(point: Point, at: int) -> Callable[[Sequence[int]], int | float]:
    swapped = point.byte_order == "little"
    if point.words == 1:
        signed = point.type == "i16"
        if swapped:
            if signed:
                return lambda words: (_swap(words[at]) ^ 0x8000) - 0x8000
            return lambda words: _swap(words[at])
        if signed:
            return lambda words: (words[at] ^ 0x8000) - 0x8000
        return lambda words: words[at]
    high, low = (at, at + 1) if _word_order(point) == "big" else (at + 1, at)

    def joined(words: Sequence[int]) -> int:
        return words[high] << 16 | words[low]

    def joined_swapped(words: Sequence[int]) -> int:
        return _swap(words[high]) << 16 | _swap(words[low])

    join = joined_swapped if swapped else joined
    if point.type == "u32":
        return join
    if point.type == "i32":
        return lambda words: (join(words) ^ 0x8000_0000) - 0x8000_0000

    def single(words: Sequence[int]) -> float:
        value: float = _SINGLE.unpack(join(words).to_bytes(4, "big"))[0]
        return value

    return single


def _splitter(point: Point) -> Callable[[int], tuple[int, ...]]:
    """Raw integer (negative allowed) to words in the order they travel."""
    swapped = point.byte_order == "little"
    if point.words == 1:
        if swapped:
            return lambda raw: (_swap(raw & 0xFFFF),)
        return lambda raw: (raw & 0xFFFF,)
    big_first = _word_order(point) == "big"

    def split(raw: int) -> tuple[int, ...]:
        high, low = raw >> 16 & 0xFFFF, raw & 0xFFFF
        if swapped:
            high, low = _swap(high), _swap(low)
        return (high, low) if big_first else (low, high)

    return split


def _single_encoder(point: Point, split: Callable[[int], tuple[int, ...]]) -> Encoder:
    scale, offset = point.scale, point.offset

    def encode_single(value: Value) -> tuple[int, ...]:
        try:
            packed = _SINGLE.pack((value - offset) / scale)
        except OverflowError:
            packed = b""
        if not packed or not math.isfinite(value):
            limit = SINGLE_MAX * scale
            raise OutOfRange(_refusal(point, value, offset - limit, offset + limit))
        return split(int.from_bytes(packed, "big"))

    return encode_single
