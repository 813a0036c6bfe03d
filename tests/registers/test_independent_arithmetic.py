"""CRC, long integers, singles and two's complement against an implementation of another hand.

pyModbusTCP brings its own, written without ours in sight; the standard library has no CRC of this
kind (binascii.crc_hqx has another polynomial).
"""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st
from pyModbusTCP import utils

from linectl.registers.codec import decode, encode
from linectl.registers.frames import crc16, pack_bits, unpack_bits
from linectl.site.hardware import Point

WORDS = st.tuples(st.integers(0, 0xFFFF), st.integers(0, 0xFFFF))


def point(type_: str, word_order: str | None = None) -> Point:
    row = {"index": 0, "line": 2, "tag": "water.flow", "direction": "out", "device": "io"}
    place = {"table": "holding", "address": 0, "type": type_, "word_order": word_order}
    return Point.model_validate(row | place)


@given(st.binary(max_size=254))
def test_the_crc_of_any_frame(frame: bytes) -> None:
    assert crc16(frame) == utils.crc16(frame).to_bytes(2, "little")


@given(words=WORDS)
@pytest.mark.parametrize(("order", "big"), [("big", True), ("little", False)])
def test_a_long_of_any_two_registers(words: tuple[int, int], order: str, big: bool) -> None:
    (number,) = utils.word_list_to_long(list(words), big_endian=big)
    assert decode(point("u32", order), words) == number
    assert encode(point("u32", order), number) == tuple(
        utils.long_list_to_word([number], big_endian=big)
    )
    signed = utils.get_2comp(number, 32)
    assert decode(point("i32", order), words) == signed
    assert encode(point("i32", order), signed) == words


@given(st.integers(0, 0xFFFF))
def test_a_signed_register(word: int) -> None:
    assert decode(point("i16"), (word,)) == utils.get_2comp(word, 16)


@given(st.floats(width=32, allow_nan=False, allow_infinity=False))
def test_a_single(value: float) -> None:
    words = utils.long_list_to_word([utils.encode_ieee(value)])
    assert encode(point("f32", "big"), value) == tuple(words)
    assert decode(point("f32", "big"), words) == value


@given(st.integers(0, 0xFF))
def test_the_bits_of_a_byte(byte: int) -> None:
    bits = [int(bit) for bit in utils.get_bits_from_int(byte, 8)]
    assert list(unpack_bits(bytes((byte,)), 8)) == bits
    assert pack_bits(bits) == bytes((byte,))
