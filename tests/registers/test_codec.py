"""The codec: vectors from outside the project, round trips, refusals."""

from __future__ import annotations

import math
import struct

import pytest
from hypothesis import assume, given
from hypothesis import strategies as st

from linectl.errors import OutOfRange, UsageError
from linectl.registers.codec import INTEGER_LIMITS, decode, decoder, encode, encoder
from linectl.site.hardware import Point


def point(type_: str = "u16", **facts: object) -> Point:
    """A row of an IO list with the facts that matter here."""
    row: dict[str, object] = {
        "index": 0,
        "line": 2,
        "tag": "water.flow_rate",
        "direction": "out",
        "device": "io1",
        "table": "holding",
        "address": 10,
        "type": type_,
        "word_order": "big" if type_ in ("u32", "i32", "f32") else None,
    }
    return Point.model_validate(row | facts)


# 12345678h in the four orders in which devices send it. Word order is not specified by MODBUS
# Application Protocol V1.1b3; the numbers are the plain reading of the permuted bytes.
@pytest.mark.parametrize(
    ("word_order", "byte_order", "value"),
    [
        ("big", "big", 305_419_896),
        ("little", "big", 1_450_709_556),
        ("big", "little", 873_625_686),
        ("little", "little", 2_018_915_346),
    ],
)
def test_one_long_reads_as_four_numbers(word_order: str, byte_order: str, value: int) -> None:
    long = point("u32", word_order=word_order, byte_order=byte_order)
    assert decode(long, (0x1234, 0x5678)) == value
    assert encode(long, value) == (0x1234, 0x5678)


# IEEE 754-2008 single precision: 1.0 is 3F800000h, -118.625 is C2ED4000h (worked example found in
# many texts; from memory, and checked here against the format's definition: sign 1, exponent
# 133 - 127 = 6, mantissa 1.853515625, 1.853515625 x 64 = 118.625).
@pytest.mark.parametrize(
    ("words", "value"), [((0x3F80, 0x0000), 1.0), ((0xC2ED, 0x4000), -118.625)]
)
def test_a_single_is_read_as_the_standard_lays_it_out(words: tuple[int, int], value: float) -> None:
    assert decode(point("f32"), words) == value
    assert encode(point("f32"), value) == words
    swapped = point("f32", word_order="little")
    assert decode(swapped, words[::-1]) == value


# Two's complement is the plain reading of a signed 16-bit register (common practice, no source).
@pytest.mark.parametrize(
    ("word", "value"), [(0xFFFF, -1), (0x8000, -32768), (0x7FFF, 32767), (0, 0)]
)
def test_a_signed_register_is_twos_complement(word: int, value: int) -> None:
    assert decode(point("i16"), (word,)) == value
    assert encode(point("i16"), value) == (word,)


def test_register_bits_count_from_the_least_significant() -> None:
    assert decode(point("bool", bit=0), (0x0001,)) is True
    assert decode(point("bool", bit=15), (0x7FFF,)) is False
    assert encode(point("bool", bit=9), True) == (0x0200,)
    assert encode(point("bool", bit=9), False) == (0,)


def test_a_bit_of_a_device_that_swaps_bytes_moves_with_its_byte() -> None:
    assert encode(point("bool", bit=0, byte_order="little"), True) == (0x0100,)
    assert decode(point("bool", bit=9, byte_order="little"), (0x0002,)) is True


def test_a_coil_is_a_bit_of_its_own() -> None:
    coil = point("bool", table="coil")
    assert encode(coil, True) == (1,)
    assert encode(coil, False) == (0,)
    assert decode(coil, (False, True), at=1) is True


def test_scale_and_offset_give_the_engineering_value() -> None:
    speed = point("u16", scale=0.5)
    assert decode(speed, (501,)) == 250.5
    assert encode(speed, 250.5) == (501,)
    temperature = point("i16", scale=0.1, offset=-40.0)
    assert decode(temperature, (653,)) == pytest.approx(25.3)
    assert encode(temperature, 25.3) == (653,)


def test_whole_numbers_stay_whole() -> None:
    assert isinstance(decode(point("u16"), (7,)), int)
    tens = decode(point("u16", scale=10.0, offset=5.0), (7,))
    assert tens == 75
    assert isinstance(tens, int)


def test_invert_is_left_to_the_line() -> None:
    assert decode(point("bool", bit=0, invert=True), (1,)) is True


@pytest.mark.parametrize(
    ("type_", "value"),
    [("u16", -1), ("u16", 65536), ("i16", 40000), ("u32", -1), ("i32", 2**31), ("f32", 1e39)],
)
def test_what_does_not_fit_is_refused_with_what_would(type_: str, value: float) -> None:
    with pytest.raises(OutOfRange, match=r"water\.flow_rate.*does not fit.*possible is"):
        encode(point(type_), value)


@pytest.mark.parametrize("type_", ["u16", "i32", "f32"])
@pytest.mark.parametrize("value", [math.nan, math.inf, -math.inf])
def test_nothing_that_is_not_a_number_reaches_a_device(type_: str, value: float) -> None:
    with pytest.raises(OutOfRange):
        encode(point(type_), value)


def test_the_limits_in_a_refusal_are_engineering_values() -> None:
    with pytest.raises(OutOfRange, match=r"possible is 0 to 6553\.5 mm/s"):
        encode(point("u16", scale=0.1, unit="mm/s"), 7000)


def test_a_long_without_word_order_is_not_guessed() -> None:
    with pytest.raises(UsageError, match="no word order"):
        decoder(point("u32", word_order=None))


def test_a_decoder_reads_its_place_in_a_block() -> None:
    block = (9, 0x1234, 0x5678, 9)
    assert decoder(point("u32"), 1)(block) == 0x12345678
    assert decoder(point("u16"), 3)(block) == 9


ORDERS = st.sampled_from(["big", "little"])
TYPES = st.sampled_from(sorted(INTEGER_LIMITS))


@given(type_=TYPES, word_order=ORDERS, byte_order=ORDERS, data=st.data())
def test_every_integer_comes_back(
    type_: str, word_order: str, byte_order: str, data: st.DataObject
) -> None:
    low, high = INTEGER_LIMITS[type_]
    value = data.draw(st.integers(low, high))
    one = point(type_, word_order=word_order, byte_order=byte_order)
    words = encode(one, value)
    assert len(words) == one.words
    assert all(0 <= word <= 0xFFFF for word in words)
    assert decode(one, words) == value


@given(type_=TYPES, word_order=ORDERS, byte_order=ORDERS, data=st.data())
def test_every_register_content_comes_back(
    type_: str, word_order: str, byte_order: str, data: st.DataObject
) -> None:
    one = point(type_, word_order=word_order, byte_order=byte_order)
    words = tuple(
        data.draw(st.lists(st.integers(0, 0xFFFF), min_size=one.words, max_size=one.words))
    )
    assert encode(one, decode(one, words)) == words


@given(value=st.floats(width=32, allow_nan=False, allow_infinity=False), word_order=ORDERS)
def test_every_single_comes_back(value: float, word_order: str) -> None:
    one = point("f32", word_order=word_order)
    assert decode(one, encode(one, value)) == value


@given(
    scale=st.sampled_from([0.001, 0.01, 0.1, 0.5, 2.0, -0.1, 10.0]),
    offset=st.sampled_from([0.0, -40.0, 0.25]),
    raw=st.integers(0, 0xFFFF),
)
def test_a_scaled_value_comes_back_to_the_same_register(
    scale: float, offset: float, raw: int
) -> None:
    one = point("u16", scale=scale, offset=offset)
    value = decode(one, (raw,))
    assert value == pytest.approx(raw * scale + offset)
    assert encode(one, value) == (raw,)


@given(value=st.floats(0, 6553.5), scale=st.just(0.1))
def test_a_set_point_is_rounded_by_less_than_half_a_step(value: float, scale: float) -> None:
    one = point("u16", scale=scale)
    assert decode(one, encode(one, value)) == pytest.approx(value, abs=scale / 2 + 1e-9)


@given(bit=st.integers(0, 15), word=st.integers(0, 0xFFFF), byte_order=ORDERS)
def test_a_bit_is_seen_as_written(bit: int, word: int, byte_order: str) -> None:
    one = point("bool", bit=bit, byte_order=byte_order)
    mask = encode(one, True)[0]
    assert decode(one, (word | mask,)) is True
    assert decode(one, (word & ~mask,)) is False


@given(value=st.floats(-1e6, 1e6))
def test_an_encoder_agrees_with_struct(value: float) -> None:
    try:
        packed = struct.pack(">f", value)
    except OverflowError:
        assume(False)
    assert encoder(point("f32"))(value) == struct.unpack(">HH", packed)
