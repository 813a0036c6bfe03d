"""How long an exchange holds a bus: characters, silences, turnaround. Pure.

RTU, from MODBUS over Serial Line V1.02 (2006), 2.5.1.1: a character is start, eight data bits,
parity and stop; frames are parted by at least 3.5 characters; above 19 200 baud the silences are
fixed (3.5 characters: 1.75 ms, 1.5 characters: 0.75 ms).

    exchange = request + silence + turnaround + answer + silence

TCP: two frames on a 100 Mbit/s network and the device's turnaround; the network is nearly free.
Our own time per exchange (`HOST_MS`) is kept apart: it is not on the wire.
"""

from __future__ import annotations

from linectl.registers.frames import RTU_OVERHEAD_BYTES, TCP_OVERHEAD_BYTES
from linectl.site.hardware import Bus, RtuBus, SerialLine

FIXED_SILENCE_ABOVE_BAUD = 19_200
FIXED_SILENCE_MS = 1.75
FIXED_CHARACTER_GAP_MS = 0.75
SILENCE_CHARACTERS = 3.5

ETHERNET_BITS_PER_MS = 100_000.0
ETHERNET_OVERHEAD_BYTES = 90  # preamble, Ethernet, IP and TCP headers, gap between frames

HOST_MS = 2.0
"""Our own time per exchange: waking, framing, decoding. Measured over 100 reads each on two cores
with pymodbus 3.16.1: 0.2 ms on TCP, 2 to 3 ms on a serial line, where it polls for the answer."""

WORST_HOST_MS = 4.0
"""The same for worst cases: 99 of 100 reads took at most 2.4 ms (TCP) and 3.5 ms (serial)."""


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


def frame_ms(bus: Bus, pdu_bytes: int) -> float:
    """Time on the wire of one frame that carries a PDU of `pdu_bytes`, in ms."""
    if isinstance(bus, RtuBus):
        return (pdu_bytes + RTU_OVERHEAD_BYTES) * character_ms(bus)
    wire_bytes = pdu_bytes + TCP_OVERHEAD_BYTES + ETHERNET_OVERHEAD_BYTES
    return 8.0 * wire_bytes / ETHERNET_BITS_PER_MS


def exchange_ms(bus: Bus, turnaround_ms: float, pdu_bytes: tuple[int, int]) -> float:
    """Time a request and its answer hold the bus, in ms; `pdu_bytes`: of both."""
    request, answer = pdu_bytes
    frames = frame_ms(bus, request) + frame_ms(bus, answer)
    silences = 2 * silence_ms(bus) if isinstance(bus, RtuBus) else 0.0
    return frames + silences + turnaround_ms


def sample_ms(bus: Bus, turnaround_ms: float, pdu_bytes: tuple[int, int]) -> float:
    """From the start of a request until the device reads its inputs, in ms."""
    silence = silence_ms(bus) if isinstance(bus, RtuBus) else 0.0
    return frame_ms(bus, pdu_bytes[0]) + silence + turnaround_ms
