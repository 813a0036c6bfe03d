"""How long an exchange holds a bus: characters, silences, turnaround. Pure.

RTU, from MODBUS over Serial Line V1.02 (2006), 2.5.1.1: a character is start, eight data bits,
parity and stop; frames are parted by at least 3.5 characters; above 19 200 baud the silences are
fixed (3.5 characters: 1.75 ms, 1.5 characters: 0.75 ms).

    exchange = request + silence + turnaround + answer + silence + pause

TCP: two frames on a 100 Mbit/s network and the device's turnaround; the network is nearly free.
TLS adds a record around each of them. Behind a gateway or converter each frame travels a second
time, on its serial line, with that line's silences; what the gateway itself takes is not known to
us and belongs into the device's turnaround.
Our own time per exchange (`HOST_MS`) is kept apart: it is not on the wire.
"""

from __future__ import annotations

from linectl.registers.frames import (
    RTU_OVERHEAD_BYTES,
    TCP_OVERHEAD_BYTES,
    read_pdu_bytes,
    write_pdu_bytes,
)
from linectl.site.hardware import Bus, Device, RtuBus, SerialLine, TcpBus, TlsBus

FIXED_SILENCE_ABOVE_BAUD = 19_200
FIXED_SILENCE_MS = 1.75
FIXED_CHARACTER_GAP_MS = 0.75
SILENCE_CHARACTERS = 3.5

ETHERNET_BITS_PER_MS = 100_000.0
ETHERNET_OVERHEAD_BYTES = 90  # preamble, Ethernet, IP and TCP headers, gap between frames

TLS_RECORD_BYTES = 29
"""Around each frame, the larger of two: TLS 1.2 with AES-GCM has a header of 5 bytes (RFC 5246,
6.2.1), an explicit nonce of 8 and a tag of 16 (RFC 5288, 3); TLS 1.3 a header of 5, a content type
of 1 and a tag of 16 (RFC 8446, 5.2). Our frames fit one record."""

HOST_MS = 0.3
"""Our own time per exchange: waking, framing, decoding. Measured over 400 reads on a modelled line
(19 200 and 115 200 baud, its own lateness included) and 3,000 on TCP, on two quiet cores: half of
them took at most 0.3 ms (serial) and 0.1 ms (TCP)."""

WORST_HOST_MS = 4.0
"""The same for worst cases. Of those reads 99 of 100 took at most 1.4 ms (serial) and 0.2 ms (TCP),
the worst 3.8 ms."""

QUIET_SLACK_MS = 5.0
"""A quiet time after a time-out is longer by this than the lateness that was declared."""
UNPROVEN_QUIET = 2.0
"""A device without a proving read: its line is kept quiet so many times longer instead."""


def character_bits(bus: SerialLine) -> int:
    """Bits of one character: 11 as the specification asks, 10 for a line without parity."""
    return 1 + 8 + (bus.parity != "none") + bus.stop_bits


def character_ms(bus: SerialLine) -> float:
    """Time of one character in ms."""
    return 1000.0 * character_bits(bus) / bus.baud


def silence_ms(bus: SerialLine) -> float:
    """t3.5: the silence that parts two frames, in ms."""
    if bus.baud > FIXED_SILENCE_ABOVE_BAUD:
        return FIXED_SILENCE_MS
    return SILENCE_CHARACTERS * character_ms(bus)


def character_gap_ms(bus: SerialLine) -> float:
    """t1.5: the longest silence inside a frame, in ms."""
    if bus.baud > FIXED_SILENCE_ABOVE_BAUD:
        return FIXED_CHARACTER_GAP_MS
    return 1.5 * character_ms(bus)


def serial_line(bus: Bus) -> SerialLine | None:
    """The serial line that a bus's frames travel on, its own or the one behind a gateway."""
    if isinstance(bus, RtuBus):
        return bus
    return bus.line if isinstance(bus, TcpBus) else None


def frame_ms(bus: Bus, pdu_bytes: int) -> float:
    """Time on its wires of one frame that carries a PDU of `pdu_bytes`, in ms."""
    line = serial_line(bus)
    serial = 0.0 if line is None else (pdu_bytes + RTU_OVERHEAD_BYTES) * character_ms(line)
    return serial + _network_ms(bus, pdu_bytes)


def _network_ms(bus: Bus, pdu_bytes: int) -> float:
    if isinstance(bus, RtuBus):
        return 0.0
    framed = isinstance(bus, TcpBus) and bus.framing == "rtu"
    wire_bytes = pdu_bytes + (RTU_OVERHEAD_BYTES if framed else TCP_OVERHEAD_BYTES)
    wire_bytes += ETHERNET_OVERHEAD_BYTES + (TLS_RECORD_BYTES if isinstance(bus, TlsBus) else 0)
    return 8.0 * wire_bytes / ETHERNET_BITS_PER_MS


def line_silence_ms(bus: Bus) -> float:
    """t3.5 of the bus's serial line, if it has one, in ms."""
    line = serial_line(bus)
    return 0.0 if line is None else silence_ms(line)


def exchange_ms(
    bus: Bus, turnaround_ms: float, pdu_bytes: tuple[int, int], pause_ms: float = 0.0
) -> float:
    """Time a request and its answer hold the bus, in ms; `pdu_bytes`: of both.

    `pause_ms`: the rest that the device needs after its answer.
    """
    request, answer = pdu_bytes
    frames = frame_ms(bus, request) + frame_ms(bus, answer)
    return frames + 2 * line_silence_ms(bus) + turnaround_ms + pause_ms


def answer_ms(bus: Bus, turnaround_ms: float, pdu_bytes: int) -> float:
    """From a request's end until its answer of `pdu_bytes` is here whole, in ms: what a time-out
    must leave room for."""
    return line_silence_ms(bus) + turnaround_ms + frame_ms(bus, pdu_bytes)


def frame_bytes(bus: Bus, pdu_bytes: int) -> int:
    """Bytes of one Modbus frame as it leaves us: RTU with unit and CRC, or TCP with its header."""
    rtu = not bus.numbered
    return pdu_bytes + (RTU_OVERHEAD_BYTES if rtu else TCP_OVERHEAD_BYTES)


def reading_ms(bus: Bus, device: Device, function: int, quantity: int) -> float:
    """Time a read of a device holds its bus, its pause included, in ms."""
    pdu_bytes = read_pdu_bytes(function, quantity)
    return exchange_ms(bus, device.turnaround_ms, pdu_bytes, device.pause_ms)


def writing_ms(bus: Bus, device: Device, function: int, quantity: int) -> float:
    """Time a write to a device holds its bus, its pause included, in ms."""
    pdu_bytes = write_pdu_bytes(function, quantity)
    return exchange_ms(bus, device.turnaround_ms, pdu_bytes, device.pause_ms)


def sample_ms(bus: Bus, turnaround_ms: float, pdu_bytes: tuple[int, int]) -> float:
    """From the start of a request until the device reads its inputs, in ms."""
    return frame_ms(bus, pdu_bytes[0]) + line_silence_ms(bus) + turnaround_ms
