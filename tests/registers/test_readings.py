"""Every reading of raw registers, and which of them a device's display means."""

from __future__ import annotations

import struct

import pytest
from hypothesis import given
from hypothesis import strategies as st

from linectl.errors import UsageError
from linectl.registers.display import by_chance, display, fits
from linectl.registers.readings import (
    ORDERS,
    bcd,
    characters,
    pair_readings,
    readings_at,
    word_readings,
)


def test_12345678h_reads_as_four_numbers_in_the_four_orders():
    # By arithmetic: the bytes 12 34 56 78 in each order of words and bytes.
    assert [one.u32 for one in pair_readings((0x1234, 0x5678))] == [
        305419896,
        1450709556,
        873625686,
        2018915346,
    ]


def test_the_letters_say_where_each_byte_of_the_value_travels():
    for order in ORDERS:
        (one,) = [r for r in pair_readings((0x4142, 0x4344)) if r.order is order]
        # A is the most significant byte: the value spelled ABCD again when put in order.
        travelling = dict(zip(order.letters, b"\x41\x42\x43\x44", strict=True))
        assert one.u32 == int.from_bytes(bytes(travelling[letter] for letter in "ABCD"), "big")


def test_one_register_is_signed_unsigned_swapped_digits_and_letters():
    one = word_readings(0xFF85)
    assert (one.u16, one.i16, one.swapped_u16, one.swapped_i16) == (65413, -123, 34303, -31233)
    assert one.hex == "FF85"
    assert one.bcd is None
    assert [place for place, bit in enumerate(one.bits) if bit] == [0, 2, 7, *range(8, 16)]


def test_packed_digits_are_read_only_where_every_digit_is_one():
    assert bcd(0x0234, 4) == 234
    assert bcd(0x12345678, 8) == 12345678
    assert bcd(0x023A, 4) is None


def test_letters_that_cannot_be_printed_are_dots():
    assert characters((0x4F4B, 0x0041)) == "OK·A"


@given(st.integers(0, 0xFFFF), st.integers(0, 0xFFFF))
def test_a_single_is_what_the_machine_itself_makes_of_the_same_bytes(high, low):
    (one,) = [r for r in pair_readings((high, low)) if r.order.letters == "ABCD"]
    (same,) = struct.unpack(">f", struct.pack(">HH", high, low))
    assert one.f32 == same or (one.f32 != one.f32 and same != same)


def test_one_register_has_no_reading_of_two():
    assert {reading.type for reading in readings_at((1,))} == {"u16", "i16"}
    assert len(readings_at((1, 2))) == 4 + 3 * 4


def _around(at, *words):
    """Registers from `at` on, and their pairs."""
    single = {at + place: word for place, word in enumerate(words)}
    pairs = {a: (single[a], single[a + 1]) for a in single if a + 1 in single}
    return single, pairs


def test_a_display_finds_the_scale():
    best = fits(display("23.4"), *_around(16, 9999, 234, 7777), asked=17)[0]
    assert best.cells() == {"address": "17", "type": "u16", "scale": "0.1"}


def test_a_display_finds_the_order_of_a_single():
    words = struct.unpack(">HH", struct.pack(">f", 23.4))
    best = fits(display("23.4"), *_around(17, words[1], words[0]), asked=17)[0]
    assert best.cells() == {"address": "17", "type": "f32", "word_order": "little"}


def test_a_display_finds_a_map_that_is_one_off():
    found = fits(display("1512"), *_around(16, 0, 3, 1512), asked=17)
    assert found[0].cells() == {"address": "18", "type": "u16"}
    # 0000 05E8 read from the address asked for would be another value, 3 × 65536 more
    assert not [fit for fit in found if fit.address == 17]


def test_a_display_below_zero_finds_the_signed_type():
    best = fits(display("-12.3"), *_around(5, 0xFF85), asked=5)[0]
    assert best.cells() == {"address": "5", "type": "i16", "scale": "0.1"}


@pytest.mark.parametrize("order", ORDERS, ids=lambda order: order.letters)
def test_a_display_finds_each_order_of_a_long_counter(order):
    travelling = dict(zip("ABCD", (305419896).to_bytes(4, "big"), strict=True))
    high, low = struct.unpack(">HH", bytes(travelling[letter] for letter in order.letters))
    best = fits(display("305419896"), *_around(40, high, low), asked=40)[0]
    assert (best.word_order, best.byte_order) == (order.word_order, order.byte_order)


def test_the_devices_own_word_order_is_believed_first():
    words = _around(0, 0x0000, 0x0000)
    for order in ("big", "little"):
        singles = [f for f in fits(display("0.0"), *words, 0, order) if f.type == "f32"]
        assert singles[0].word_order == order


def test_the_last_digit_of_a_display_is_rounded_and_no_more():
    assert [f.scale for f in fits(display("23.4"), *_around(1, 2344), 1)] == [0.01]
    assert fits(display("23.4"), *_around(1, 2346), 1) == ()
    assert fits(display("23"), *_around(1, 2346), 1)[0].scale == 0.01


def test_packed_digits_that_fit_have_no_cells_for_the_io_list():
    (fit,) = [f for f in fits(display("23.4"), *_around(1, 0x0234), 1) if f.type is None]
    assert fit.cells() == {}


@given(st.integers(1, 65535), st.sampled_from([0.1, 0.01, 1.0, 10.0]))
def test_every_fit_gives_what_the_display_says(raw, scale):
    shown = display(f"{raw * scale:.1f}")
    for fit in fits(shown, *_around(7, raw, 0), asked=7):
        assert abs(fit.value - shown.value) <= shown.tolerance * 1.001
    assert any(f.scale == scale and f.address == 7 for f in fits(shown, *_around(7, raw, 0), 7))


def test_few_digits_fit_by_chance_and_many_do_not():
    assert by_chance(display("1"), 3) > 20 * by_chance(display("1234.567"), 3)


@pytest.mark.parametrize("scale", [1.0, 0.1, 0.01, 0.05])
def test_chance_is_the_share_of_contents_that_the_display_shows_alike(scale):
    shown = display("40")
    (fit,) = [f for f in fits(shown, {0: round(40 / scale)}, {}, 0) if f.type and f.scale == scale]
    alike = sum(shown.shows(raw * scale) for raw in range(65536))
    assert fit.chance * 65536 == pytest.approx(alike, abs=1)


def test_a_decimal_comma_is_told_and_not_guessed():
    with pytest.raises(UsageError, match=r"write 23\.4"):
        display("23,4")
    with pytest.raises(UsageError, match="not a number"):
        display("full")
