"""What the Modbus specifications print, beyond what stands beside the code's own tests.

CRC pairs, packed bits, lengths and quantities: test_frames.py. Character times and silences:
test_wire_time.py. The four orders of 12345678h: test_codec.py. The same examples as bytes on a
wire: tests/wire.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st
from pydantic import ValidationError

from linectl.registers.budget import bus_budgets
from linectl.registers.frames import MAX_WRITE_BITS, MAX_WRITE_REGISTERS, crc16, unpack_bits
from linectl.site.hardware import Device, Point, TlsBus
from linectl.site.model import Site
from linectl.site.notation import Table, both_ways, protocol_address, reference
from linectl.site.reading import MAX_READ_BITS, MAX_READ_REGISTERS


# MODBUS Application Protocol V1.1b3, 4.4: item n of a table has the address n−1. The items are
# those of its examples, whose requests carry the addresses: 6.1 coils from 20 on, 6.2 discrete
# inputs from 197 on, 6.3 registers from 108 on, 6.4 input register 9, 6.5 coil 173, 6.16
# register 5; then the first and the last that there can be.
@pytest.mark.parametrize(
    ("table", "item", "address"),
    [
        ("coil", 20, 0x13),
        ("discrete", 197, 0xC4),
        ("holding", 108, 0x6B),
        ("input", 9, 0x08),
        ("coil", 173, 0xAC),
        ("holding", 5, 0x04),
        ("holding", 1, 0),
        ("input", 65_536, 65_535),
    ],
)
def test_item_n_has_the_address_n_minus_one(table: Table, item: int, address: int) -> None:
    # A digit for the table and five for the item: common practice, no source.
    digit = {"coil": 0, "discrete": 1, "input": 3, "holding": 4}[table]
    assert protocol_address(table, f"{digit}{item:05d}", "reference") == address
    assert protocol_address(table, str(address), "protocol") == address
    assert reference(table, address) in (f"{digit}{item:04d}", f"{digit}{item:05d}")
    assert both_ways(table, address).startswith(f"{table} {address} (reference {digit}")


# V1.1b3, 4.4: addresses 0–65535. Quantities as in 6.1, 6.3, 6.11, 6.12; units of a serial line
# 1–247 (MODBUS over Serial Line V1.02, 2.2), 255 for a device reached by its network address
# alone (MODBUS Messaging on TCP/IP Implementation Guide V1.0b, 4.4.2).
@pytest.mark.parametrize(
    ("key", "most"),
    [
        ("max_read_bits", 2000),
        ("max_read_registers", 125),
        ("max_write_bits", 1968),
        ("max_write_registers", 123),
        ("unit", 255),
    ],
)
def test_a_device_cannot_be_given_more_than_the_protocol_has(key: str, most: int) -> None:
    facts = {"bus": "b", "unit": 1, "silent_after": "500ms"}
    assert getattr(Device.model_validate(facts | {key: most}), key) == most
    for wrong in (0, most + 1):
        with pytest.raises(ValidationError, match=key):
            Device.model_validate(facts | {key: wrong})


def test_the_last_address_is_65535() -> None:
    row = {
        "index": 0,
        "line": 2,
        "tag": "fill.speed",
        "direction": "in",
        "device": "io",
        "table": "holding",
        "type": "u16",
    }
    assert Point.model_validate(row | {"address": 65_535}).address == 65_535
    with pytest.raises(ValidationError, match="address"):
        Point.model_validate(row | {"address": 65_536})
    with pytest.raises(ValueError, match="65536"):
        protocol_address("holding", "65536", "protocol")


# V1.1b3, 4.1 and 6: the greatest quantities are those whose answer or request fills a PDU of 253
# bytes: function and count (2) before the data of an answer, function, address, quantity and
# count (6) before that of a request. Bits go in whole bytes; 2000 and 1968 leave some unused.
def test_one_more_would_not_fit_the_pdu() -> None:
    assert 2 + 2 * MAX_READ_REGISTERS <= 253 < 2 + 2 * (MAX_READ_REGISTERS + 1)
    assert 6 + 2 * MAX_WRITE_REGISTERS <= 253 < 6 + 2 * (MAX_WRITE_REGISTERS + 1)
    assert 2 + MAX_READ_BITS // 8 == 252
    assert 6 + MAX_WRITE_BITS // 8 == 252


# V1.1b3, 6.2 (from memory): discrete inputs 197–218 come as AC DB 35; 204–197 = 1010 1100,
# 212–205 = 1101 1011, 218–213 = 11 0101.
def test_the_read_discrete_inputs_example() -> None:
    inputs = unpack_bits(bytes.fromhex("AC DB 35"), 22)
    assert "".join(map(str, inputs[7::-1])) == "10101100"
    assert "".join(map(str, inputs[15:7:-1])) == "11011011"
    assert "".join(map(str, inputs[21:15:-1])) == "110101"


# MODBUS over Serial Line V1.02, appendix on CRC generation: begin with FFFF; exclusive-or the byte
# into the low half; eight times shift right, and when a 1 falls out exclusive-or A001. Low byte
# first on the wire.
@given(st.binary(min_size=1, max_size=254))
def test_the_crc_is_the_one_that_the_specification_describes(frame: bytes) -> None:
    register = 0xFFFF
    for byte in frame:
        register ^= byte
        for _ in range(8):
            falls_out = register & 1
            register >>= 1
            if falls_out:
                register ^= 0xA001
    assert crc16(frame) == bytes((register & 0xFF, register >> 8))


# Computed: a device asked once and twice more, each time for 1 s in vain, adds 3 s to a cycle; and
# here three quiet times as well, since the line must be rid of late answers. It does so until it is
# demoted, which tests/wire holds.
def test_a_dead_device_asked_three_times_costs_three_time_outs(
    site_of: Callable[..., Site], rtu_line: dict[str, Any]
) -> None:
    row = {"device": "a", "direction": "in", "table": "holding", "address": 0, "type": "u16"}
    facts = {"unit": 1, "late": "100ms"}
    (bus,) = bus_budgets(site_of({"a": facts}, [row], rtu_line | {"timeout": "1s"}))
    quiet_ms = 2 * 100 + bus.answer_ms + 2.005 + 5  # one register has no shorter, proving read
    assert bus.unproven == ("a",)
    assert 3 * bus.silent_extra_ms == pytest.approx(3000 + 3 * quiet_ms, abs=0.1)


# MODBUS/TCP Security, MB-TCP-Security v36 (2021): its registered port is 802.
def test_security_has_a_port_of_its_own() -> None:
    facts = {"kind": "tls", "host": "192.0.2.1", "poll": "20ms", "timeout": "100ms"}
    files = {"authority": "a.pem", "certificate": "c.pem", "key": "k.pem"}
    assert TlsBus.model_validate(facts | files).port == 802
