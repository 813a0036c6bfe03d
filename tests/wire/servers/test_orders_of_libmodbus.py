"""The four orders of a 32-bit value, named by us and by libmodbus: which of them is which."""

from __future__ import annotations

import ctypes

import pytest
from hypothesis import given
from hypothesis import strategies as st

from linectl.registers.codec import decode, encode
from linectl.site.hardware import Point


@pytest.mark.parametrize(
    ("name", "word_order", "byte_order"),
    [
        ("abcd", "big", "big"),
        ("cdab", "little", "big"),
        ("badc", "big", "little"),
        ("dcba", "little", "little"),
    ],
)
def test_a_single_is_laid_out_as_libmodbus_does(
    library: str, name: str, word_order: str, byte_order: str
) -> None:
    """Held against its readers: the writers of libmodbus 3.1.6 do not give what those read."""
    read = getattr(ctypes.CDLL(library), f"modbus_get_float_{name}")
    read.restype, read.argtypes = ctypes.c_float, [ctypes.POINTER(ctypes.c_uint16)]
    orders = {"word_order": word_order, "byte_order": byte_order}
    row = {"index": 0, "line": 2, "tag": "water.flow", "direction": "out", "device": "io"}
    place = {"table": "holding", "address": 0, "type": "f32"}
    single = Point.model_validate(row | place | orders)

    @given(st.floats(width=32, allow_nan=False, allow_infinity=False))
    def both_ways(value: float) -> None:
        words = encode(single, value)
        assert decode(single, words) == read((ctypes.c_uint16 * 2)(*words)) == value

    both_ways()
