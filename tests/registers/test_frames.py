"""CRC, packed bits and lengths, against the bytes printed in the specifications."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from linectl.registers.frames import (
    MAX_PDU_BYTES,
    MAX_WRITE_BITS,
    MAX_WRITE_REGISTERS,
    RTU_OVERHEAD_BYTES,
    TCP_OVERHEAD_BYTES,
    crc16,
    mask_write,
    pack_bits,
    read_pdu_bytes,
    unpack_bits,
    write_pdu_bytes,
)
from linectl.site.reading import MAX_READ_BITS, MAX_READ_REGISTERS


# MODBUS over Serial Line V1.02 (2006), appendix on CRC generation: 02 07 is followed by 41 12.
# The frames of unit 11h are the FC 3 example of MODBUS Application Protocol V1.1b3, 6.3, with
# unit and CRC added.
@pytest.mark.parametrize(
    ("frame", "crc"),
    [
        ("02 07", "41 12"),
        ("11 03 00 6B 00 03", "76 87"),
        ("11 03 06 02 2B 00 00 00 64", "C8 BA"),
        ("01 03 00 6B 00 03", "74 17"),
    ],
)
def test_crc_as_printed(frame: str, crc: str) -> None:
    assert crc16(bytes.fromhex(frame)) == bytes.fromhex(crc)


@given(st.binary(min_size=1, max_size=254))
def test_the_crc_of_a_frame_with_its_crc_is_zero(frame: bytes) -> None:
    assert crc16(frame + crc16(frame)) == b"\0\0"


@given(st.binary(min_size=2, max_size=200), st.data())
def test_one_flipped_bit_is_always_seen(frame: bytes, data: st.DataObject) -> None:
    place = data.draw(st.integers(0, len(frame) * 8 - 1))
    damaged = bytearray(frame)
    damaged[place // 8] ^= 1 << place % 8
    assert crc16(bytes(damaged)) != crc16(frame)


# V1.1b3, 6.1: coils 20-38 come as CD 6B 05: 27-20 = 1100 1101, 35-28 = 0110 1011, 38-36 = 101.
def test_packed_coils_of_the_read_example() -> None:
    coils = unpack_bits(bytes.fromhex("CD 6B 05"), 19)
    assert coils[:8] == (1, 0, 1, 1, 0, 0, 1, 1)
    assert coils[16:] == (1, 0, 1)
    assert pack_bits(coils) == bytes.fromhex("CD 6B 05")


# V1.1b3, 6.11: ten coils from 20 on written as CD 01 (0F 00 13 00 0A 02 CD 01).
def test_packed_coils_of_the_write_example() -> None:
    assert pack_bits((1, 0, 1, 1, 0, 0, 1, 1, 1, 0)) == bytes.fromhex("CD 01")


@given(st.lists(st.integers(0, 1), max_size=2000))
def test_bits_come_back(bits: list[int]) -> None:
    assert unpack_bits(pack_bits(bits), len(bits)) == tuple(bits)


def test_too_few_bytes_are_not_made_up() -> None:
    with pytest.raises(ValueError, match="9 bits asked, 1 bytes came"):
        unpack_bits(b"\xff", 9)


# V1.1b3, 6.16: current 12h, AND F2h, OR 25h, result 17h.
def test_mask_write_example() -> None:
    assert mask_write(0x12, 0xF2, 0x25) == 0x17


# V1.1b3, 4.1 (PDU at most 253 bytes) and the quantity limits of 6.1, 6.3, 6.11, 6.12.
def test_the_greatest_requests_fit_a_pdu() -> None:
    assert (MAX_READ_BITS, MAX_READ_REGISTERS) == (2000, 125)
    assert (MAX_WRITE_BITS, MAX_WRITE_REGISTERS) == (1968, 123)
    assert read_pdu_bytes(1, MAX_READ_BITS) == (5, 252)
    assert read_pdu_bytes(3, MAX_READ_REGISTERS) == (5, 252)
    assert write_pdu_bytes(15, MAX_WRITE_BITS) == (252, 5)
    assert write_pdu_bytes(16, MAX_WRITE_REGISTERS) == (252, 5)
    assert MAX_PDU_BYTES == 253


# V1.1b3, 4.1: with unit and CRC 256 bytes on a serial line, with the MBAP header 260 over TCP.
def test_the_greatest_frames_on_a_line_and_over_tcp() -> None:
    assert MAX_PDU_BYTES + RTU_OVERHEAD_BYTES == 256
    assert MAX_PDU_BYTES + TCP_OVERHEAD_BYTES == 260
