"""What can befall a serial line, drawn by seed: noise, lost bytes, echoes, wrong answers, lateness.

Shares are of 1 and are drawn for every byte, every request or every answer as each says. What
was played is counted by name in `Mischief.played`, so that a test can say that it happened.
Common practice, no source, for the kinds; frames as in MODBUS over Serial Line V1.02 (2006).
"""

from __future__ import annotations

import random
from collections import Counter
from dataclasses import dataclass
from typing import NamedTuple

from linectl.registers.frames import crc16

EXCEPTIONS = (1, 2, 3, 4, 5, 6, 0x0A, 0x0B)
"""Exception codes of MODBUS Application Protocol V1.1b3 (2012), 7, but for 08 (files)."""
GLITCH_BYTES = (0x00, 0xFF)
"""What an undriven line or a driver that is just enabled looks like: break or a lone start bit."""
GLITCH_MAX = 3
READS, READ_TOP = (1, 2, 3, 4), 0x80


@dataclass(frozen=True)
class LineFaults:
    """How often each fault befalls the line. All zero: a good line."""

    noise: float = 0.0
    """Share of all bytes, both ways, of which one to eight bits are flipped."""
    dropped: float = 0.0
    """Share of all bytes, both ways, that never arrive."""
    repeated: float = 0.0
    """Share of all bytes, both ways, that arrive twice."""
    gap: float = 0.0
    """Share of answers with a pause inside, longer than 1.5 characters."""
    gap_ms: float = 0.0
    """Length of that pause; 0: twice the allowed one of the line."""
    half: float = 0.0
    """Share of answers that break off."""
    echo: float = 0.0
    """Share of requests that the master hears itself, before anything else."""
    partial_echo: float = 0.0
    """Share of requests of which it hears a beginning or an end."""
    late: float = 0.0
    """Share of answers that come late."""
    late_ms: tuple[float, float] = (0.0, 0.0)
    """By how much, least and most, beyond the turnaround."""
    silence: float = 0.0
    """Share of requests that the device never hears."""
    lost: float = 0.0
    """Share of requests that the device acts upon, and whose answer is lost."""
    wrong_unit: float = 0.0
    """Share of answers, undamaged, in which another unit speaks."""
    wrong_function: float = 0.0
    """Share of answers, undamaged, that belong to another function."""
    wrong_length: float = 0.0
    """Share of answers, undamaged, of another length, with a true or a false byte count."""
    exception: float = 0.0
    """Share of requests that are refused without being acted upon."""
    exceptions: tuple[int, ...] = EXCEPTIONS
    glitch: float = 0.0
    """Share of answers before which one to three bytes of 00 or FF are heard."""


class Piece(NamedTuple):
    """Bytes to send after a pause in ms."""

    pause_ms: float
    data: bytes


class Mischief:
    """Draws the faults of one line."""

    def __init__(self, faults: LineFaults, seed: int) -> None:
        self.faults = faults
        self.played: Counter[str] = Counter()
        self._random = random.Random(f"line {seed}")

    def _hits(self, share: float, name: str) -> bool:
        if share <= 0.0 or self._random.random() >= share:
            return False
        self.played[name] += 1
        return True

    def carry(self, data: bytes) -> bytes:
        """Bytes as they arrive at the other end."""
        faults = self.faults
        if not (faults.noise or faults.dropped or faults.repeated):
            return data
        arrived = bytearray()
        for byte in data:
            if self._hits(faults.dropped, "dropped"):
                continue
            if self._hits(faults.noise, "noise"):
                byte ^= self._random.randint(1, 255)
            arrived.append(byte)
            if self._hits(faults.repeated, "repeated"):
                arrived.append(byte)
        return bytes(arrived)

    def echo(self, request: bytes) -> bytes:
        """What the master hears of its own request."""
        if self._hits(self.faults.echo, "echo"):
            return request
        if len(request) > 1 and self._hits(self.faults.partial_echo, "partial_echo"):
            cut = self._random.randrange(1, len(request))
            return request[:cut] if self._random.random() < 0.5 else request[cut:]
        return b""

    def refusal(self, request: bytes) -> bytes | None:
        """Instead of the device's own answer: an exception frame, b"" for silence, None: no."""
        if self._hits(self.faults.silence, "silence"):
            return b""
        if not self._hits(self.faults.exception, "exception"):
            return None
        code = self._random.choice(self.faults.exceptions)
        self.played[f"exception {code:02X}"] += 1
        return framed(bytes((request[0], request[1] | READ_TOP, code)))

    def late_ms(self) -> float:
        """By how much the next answer comes late, 0 mostly."""
        return self._random.uniform(*self.faults.late_ms) if self._late() else 0.0

    def _late(self) -> bool:
        return self._hits(self.faults.late, "late")

    def answer(self, frame: bytes, allowed_gap_ms: float) -> list[Piece]:
        """The answer as the master hears it; nothing if it is lost."""
        faults = self.faults
        if not frame or self._hits(faults.lost, "lost"):
            return []
        frame = self._falsified(frame)
        if self._hits(faults.half, "half"):
            frame = frame[: self._random.randrange(1, len(frame))]
        if self._hits(faults.glitch, "glitch"):
            count = self._random.randint(1, GLITCH_MAX)
            frame = bytes(self._random.choice(GLITCH_BYTES) for _ in range(count)) + frame
        frame = self.carry(frame)
        if len(frame) > 1 and self._hits(faults.gap, "gap"):
            cut = self._random.randrange(1, len(frame))
            return [
                Piece(0.0, frame[:cut]),
                Piece(faults.gap_ms or 2.0 * allowed_gap_ms, frame[cut:]),
            ]
        return [Piece(0.0, frame)]

    def _falsified(self, frame: bytes) -> bytes:
        """Another unit's, function's or length's answer, undamaged on the wire."""
        unit, function, data = frame[0], frame[1], frame[2:-2]
        if self._hits(self.faults.wrong_unit, "wrong_unit"):
            others = [other for other in range(1, 248) if other != unit]
            return framed(bytes((self._random.choice(others), function)) + data)
        if self._hits(self.faults.wrong_function, "wrong_function"):
            others = [other for other in (*READS, 5, 6, 15, 16) if other != function]
            return framed(bytes((unit, self._random.choice(others))) + data)
        if self._hits(self.faults.wrong_length, "wrong_length"):
            return framed(bytes((unit, function)) + self._resized(function, data))
        return frame

    def _resized(self, function: int, data: bytes) -> bytes:
        step = 2 if function in (3, 4) else 1
        more = self._random.random() < 0.5 or len(data) <= 1 + step
        resized = data + b"\x5a" * step if more else data[:-step]
        if function in READS and self._random.random() < 0.5:
            return bytes((len(resized) - 1,)) + resized[1:]
        return resized


def framed(body: bytes) -> bytes:
    """Unit and PDU with their CRC."""
    return body + crc16(body)
