"""Wire times, against the serial-line specification's arithmetic."""

from __future__ import annotations

import pytest

from linectl.registers.frames import read_pdu_bytes
from linectl.registers.wire_time import (
    ETHERNET_BITS_PER_MS,
    character_gap_ms,
    character_ms,
    exchange_ms,
    frame_bytes,
    frame_ms,
    sample_ms,
    silence_ms,
)
from linectl.site.hardware import RtuBus, TcpBus, TlsBus


def line(baud: int = 19_200, **facts: object) -> RtuBus:
    row: dict[str, object] = {"kind": "rtu", "port": "/dev/ttyUSB0", "baud": baud}
    return RtuBus.model_validate(row | {"poll": "100ms", "timeout": "200ms"} | facts)


# MODBUS over Serial Line V1.02 (2006), 2.5.1.1: 11-bit characters, t3.5 = 38.5 bits; above
# 19 200 baud t1.5 = 0.750 ms and t3.5 = 1.750 ms whatever the speed.
@pytest.mark.parametrize(
    ("baud", "silence", "gap"),
    [
        (9_600, 38.5 / 9.6, 16.5 / 9.6),
        (19_200, 38.5 / 19.2, 16.5 / 19.2),
        (38_400, 1.75, 0.75),
        (115_200, 1.75, 0.75),
    ],
)
def test_silences_of_the_specification(baud: int, silence: float, gap: float) -> None:
    assert silence_ms(line(baud)) == pytest.approx(silence)
    assert character_gap_ms(line(baud)) == pytest.approx(gap)


# V1.02, 2.5.1: even parity and one stop bit, or no parity and two stop bits: 11 bits.
def test_a_character_has_eleven_bits() -> None:
    assert character_ms(line(11_000)) == pytest.approx(1.0)
    assert character_ms(line(11_000, parity="none", stop_bits=2)) == pytest.approx(1.0)


# Computed from V1.02: FC 3 of 10 registers is 8 + 25 = 33 bytes, 33 x 11 / 19 200 = 18.906 ms,
# and 22.917 ms with two silences.
def test_ten_registers_at_19200_baud() -> None:
    pdu_bytes = read_pdu_bytes(3, 10)
    frames = sum(frame_ms(line(), length) for length in pdu_bytes)
    assert frames / character_ms(line()) == pytest.approx(33)
    assert frames == pytest.approx(18.906, abs=0.0005)
    assert exchange_ms(line(), 0, pdu_bytes) == pytest.approx(22.917, abs=0.0005)


# Gap at which a second request costs as much as reading on, with 5 ms turnaround and 2 ms of a
# master's own time per exchange, worked out by hand from V1.02: 13 bytes of overhead, two silences,
# turnaround and own time, over two bytes a register.
@pytest.mark.parametrize(
    ("baud", "registers"), [(9_600, 13), (19_200, 16), (38_400, 25), (115_200, 61)]
)
def test_the_gap_worth_reading_depends_on_the_speed(baud: int, registers: int) -> None:
    bus = line(baud)
    separate = exchange_ms(bus, 5, read_pdu_bytes(3, 0)) + 2.0
    longer = exchange_ms(bus, 5, read_pdu_bytes(3, 2)) - exchange_ms(bus, 5, read_pdu_bytes(3, 1))
    assert round(separate / longer) == registers


def test_a_network_costs_little_beside_the_device() -> None:
    bus = TcpBus.model_validate(
        {"kind": "tcp", "host": "127.0.0.1", "poll": "20ms", "timeout": "100ms"}
    )
    assert exchange_ms(bus, 2, read_pdu_bytes(3, 125)) == pytest.approx(2, abs=0.1)


def network(**facts: object) -> TcpBus:
    row: dict[str, object] = {"kind": "tcp", "host": "127.0.0.1", "poll": "20ms"}
    return TcpBus.model_validate(row | {"timeout": "100ms"} | facts)


def test_a_device_that_needs_a_rest_holds_its_bus_that_much_longer() -> None:
    pdu_bytes = read_pdu_bytes(3, 10)
    assert exchange_ms(line(), 5, pdu_bytes, 4) == exchange_ms(line(), 5, pdu_bytes) + 4


# As above: 22.917 ms on the line itself; the same frames cross the network before and after.
def test_behind_a_gateway_every_frame_travels_on_the_line_too() -> None:
    pdu_bytes = read_pdu_bytes(3, 10)
    behind = network(line={"baud": 19_200})
    alone = exchange_ms(network(), 10, pdu_bytes)
    assert exchange_ms(behind, 10, pdu_bytes) == pytest.approx(22.917 + alone, abs=0.0005)
    assert sample_ms(behind, 10, pdu_bytes) == pytest.approx(
        sample_ms(line(), 10, pdu_bytes) + frame_ms(network(), pdu_bytes[0])
    )


# MODBUS Messaging on TCP/IP Implementation Guide V1.0b, 3.1.3: a header of 7 bytes; over a serial
# line (V1.02, 2.3) one byte of unit and two of CRC.
def test_a_converter_passes_serial_frames_on_with_their_check() -> None:
    assert frame_bytes(network(), 5) == 12
    assert frame_bytes(network(framing="rtu"), 5) == 8
    assert frame_bytes(line(), 5) == 8


# RFC 5288, 3 and RFC 5246, 6.2.1: header 5, explicit nonce 8, tag 16 bytes around each record.
def test_tls_adds_its_record_to_every_frame() -> None:
    tls = TlsBus.model_validate(
        {"kind": "tls", "host": "127.0.0.1", "poll": "20ms", "timeout": "100ms"}
        | {"authority": "ca.pem", "certificate": "me.pem", "key": "me.key"}
    )
    more_ms = exchange_ms(tls, 2, (5, 22)) - exchange_ms(network(), 2, (5, 22))
    assert more_ms * ETHERNET_BITS_PER_MS / 8 == pytest.approx(2 * 29)
