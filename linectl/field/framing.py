"""Answers out of byte streams: nothing is believed that does not fit the question. Pure.

Serial frames (also those that a converter passes on over TCP) have no number, so an answer is
taken only if it begins right after the question (or its echo), comes from the unit, repeats the
function, has the length that was asked for, fits its CRC, and nothing follows it. A frame is never
looked for inside noise: each place tried would be one more chance in 65,536 to believe nonsense.

TCP frames have a number: an answer with another one is a late answer and passed over; so is one
that began to come before its question was sent.
"""

from __future__ import annotations

import struct
from collections import Counter
from typing import Literal

from linectl.errors import Unreachable
from linectl.registers.frames import MAX_PDU_BYTES, RTU_OVERHEAD_BYTES, crc16

GLITCHES = b"\x00\xff"
"""What a line driver that is switched on or off may add; no unit that we speak to has such a
number (common practice, no source)."""

LATE_KEPT = 16
NO_NUMBER = -1
"""No frame bears it."""
_HEADER = struct.Struct(">HHHB")
_FIXED_BYTES = {5: 8, 6: 8, 15: 8, 16: 8, 22: 10}
_SHORTEST = 5
_LONGEST = MAX_PDU_BYTES + RTU_OVERHEAD_BYTES
Trouble = Literal["crc", "short", "foreign", "stale", "echo"]


class Garbled(Exception):
    """What came is no answer. `kind` is the name it is counted under."""

    def __init__(self, kind: Trouble, came: str) -> None:
        self.kind = kind
        self.came = came
        super().__init__(came)


class NotModbus(Unreachable):
    """The stream cannot be Modbus TCP: the connection is to be closed."""


def rtu_frame(unit: int, pdu: bytes) -> bytes:
    """The frame on a serial line."""
    frame = bytes((unit,)) + pdu
    return frame + crc16(frame)


def tcp_frame(number: int, unit: int, pdu: bytes) -> bytes:
    """The frame on TCP (MODBUS Messaging on TCP/IP Implementation Guide V1.0b, 3.1.3)."""
    return _HEADER.pack(number, 0, len(pdu) + 1, unit) + pdu


def rtu_length(frame: bytes | bytearray) -> int | None:
    """Length of the answer that begins `frame`; 0: not known yet; None: no answer begins so."""
    if len(frame) < 3:
        return 0
    function = frame[1]
    if function & 0x80:
        return _SHORTEST
    if 1 <= function <= 4 or function in (12, 17, 20, 21, 23):
        length = frame[2] + 5
    elif function == 0x2B:
        length = _identification_length(frame)
    else:
        return _FIXED_BYTES.get(function)
    return length if length <= _LONGEST else None  # nothing is waited for that cannot come


def _identification_length(frame: bytes | bytearray) -> int:
    """Walks the objects (MODBUS Application Protocol V1.1b3, 6.21); 0: not known yet."""
    if len(frame) < 8:
        return 0
    at = 8
    for _ in range(frame[7]):
        if len(frame) < at + 2:
            return 0 if at < _LONGEST else at + 2
        at += 2 + frame[at + 1]
    return at + 2


class RtuAnswer:
    """Collects the answer to one request. `echoes`: whether the line repeats what is sent; None:
    not known: then only a read may be asked, because a write's answer looks like its echo.
    `answer_bytes`: length of the frame that fits the question; 0: any."""

    def __init__(self, unit: int, request: bytes, answer_bytes: int, echoes: bool | None) -> None:
        self._unit = unit
        self._function = request[1]
        self._request = request
        self._answer_bytes = answer_bytes
        self._heard = bytearray()
        self._echoes = echoes
        self.echoed: bool | None = None if echoes is None else False
        """True once the echo has been taken off; None: not decided yet."""
        self.came = 0
        self.seen: Counter[str] = Counter()

    def feed(self, data: bytes) -> bytes | None:
        """The answer's PDU once it is whole. Raises Garbled for what can be no answer."""
        self.came += len(data)
        self._heard += data
        if self._echoes is not False and not self.echoed and not self._take_echo():
            return None
        while self._heard:
            self._take_glitches()
            length = rtu_length(self._heard)
            if length is None:
                begun = bytes(self._heard[:8]).hex(" ")
                raise self._damaged("crc", f"{begun} came, which begins no answer")
            if length == 0 or len(self._heard) < length:
                return None
            frame = bytes(self._heard[:length])
            if crc16(frame[:-2]) != frame[-2:]:
                raise self._damaged("crc", f"{length} bytes came, the CRC does not fit")
            del self._heard[:length]
            if frame[0] == self._unit:
                return self._whole(frame)
            self.seen["foreign"] += 1  # another unit's answer does not end the waiting
        return None

    def given_up(self) -> Garbled | None:
        """What the time-out ends; None if it was silence."""
        if self._heard:
            return self._damaged("short", f"{len(self._heard)} bytes came but no whole answer")
        if self.seen["foreign"]:
            return Garbled("foreign", "only another unit answered")
        return None

    def _damaged(self, kind: Trouble, came: str) -> Garbled:
        """Damage; or our own question, on a line that was wrongly learned to repeat nothing."""
        count = min(len(self._heard), len(self._request))
        own = count >= _SHORTEST and self._heard[:count] == self._request[:count]
        if self._echoes is False and own:
            return Garbled("echo", "our own request came back, though the line did not repeat it")
        return Garbled(kind, came)

    def _whole(self, frame: bytes) -> bytes:
        ours = frame[1] == self._function
        if ours and self._answer_bytes and len(frame) != self._answer_bytes:
            raise Garbled("stale", f"{frame[2]} bytes of data")
        if self._heard and (len(self._heard) > 1 or self._heard[0] not in GLITCHES):
            raise Garbled("foreign", f"{len(self._heard)} more bytes came behind the answer")
        return frame[1:-2]

    def _take_echo(self) -> bool:
        """True once it is decided whether an echo came; it is taken off."""
        request = self._request
        self._take_glitches()  # the driver that is switched on for the request adds them too
        count = min(len(self._heard), len(request))
        if self._heard[:count] != request[:count]:
            if self._echoes:
                raise Garbled("echo", "the line's echo of the request came back damaged")
            self._echoes = self.echoed = False
            return True
        if count < len(request):
            return False
        del self._heard[:count]
        self._echoes = self.echoed = True
        self.came -= count
        return True

    def _take_glitches(self) -> None:
        while self._heard and self._heard[0] in GLITCHES and self._heard[0] != self._unit:
            del self._heard[0]
            self.seen["glitch"] += 1


class TcpAnswer:
    """Finds the answers in one connection's stream; a late one's rest may span two requests."""

    echoed: bool | None = False

    def __init__(self) -> None:
        self._number = NO_NUMBER
        self._unit = 0
        self._heard = bytearray()
        self._begun_before = False
        self.came = 0
        self.seen: Counter[str] = Counter()
        self.late: list[int] = []
        """Numbers of answers that came for earlier requests; the reader takes them out."""

    @property
    def begun(self) -> bool:
        """True if more has come than was looked at."""
        return bool(self._heard)

    def skip(self, data: bytes) -> None:
        """What has come before the next question answers none: late, twice, or unasked, and
        whatever number it bears. Raises NotModbus."""
        self._number = NO_NUMBER
        self.feed(data)

    def expect(self, number: int, unit: int) -> None:
        """From now on this answer is waited for."""
        self._number, self._unit = number, unit
        self._begun_before = bool(self._heard)
        self.came = 0
        if self.seen:
            self.seen = Counter()

    def feed(self, data: bytes) -> bytes | None:
        """The answer's PDU once it is whole. Raises NotModbus."""
        self.came += len(data)
        self._heard += data
        while len(self._heard) >= _HEADER.size:
            number, protocol, length, unit = _HEADER.unpack_from(self._heard)
            if protocol != 0 or not 2 <= length <= MAX_PDU_BYTES + 1:
                raise NotModbus(
                    f"protocol {protocol} and length {length} came, not 0 and 2–{MAX_PDU_BYTES + 1}"
                )
            end = _HEADER.size - 1 + length
            if len(self._heard) < end:
                return None
            pdu = bytes(self._heard[_HEADER.size : end])
            del self._heard[:end]
            before, self._begun_before = self._begun_before, False
            if before or number != self._number:
                self.seen["stale"] += 1
                self.late = [*self.late[-LATE_KEPT:], number]
            elif unit != self._unit:
                self.seen["foreign"] += 1
            else:
                return pdu
        return None

    def given_up(self) -> Garbled | None:
        """What the time-out ends; None if it was silence."""
        if self._heard and self.came:  # an earlier answer's unfinished rest is no sign of life
            return Garbled("short", f"{self.came} bytes came but no whole answer")
        if self.seen["foreign"]:
            return Garbled("foreign", "only another unit answered")
        return None
