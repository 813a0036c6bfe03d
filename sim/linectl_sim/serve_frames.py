"""Request frames out of byte streams, and answers into them: Modbus TCP and RTU, server's side.

Written by hand, so that the controller's client library does not talk to itself. Sources: MODBUS
Application Protocol V1.1b3 (2012), MODBUS over Serial Line V1.02 (2006), MODBUS Messaging on
TCP/IP Implementation Guide V1.0b (2006).
"""

from __future__ import annotations

import struct
from typing import NamedTuple

from linectl.registers.frames import MAX_PDU_BYTES, crc16

_HEADER = struct.Struct(">HHHB")
_FIXED_BYTES = {1: 8, 2: 8, 3: 8, 4: 8, 5: 8, 6: 8, 22: 10}
_COUNTED_AT = {15: 6, 16: 6, 23: 10}
"""Place of the byte count in requests that carry one."""


class Request(NamedTuple):
    """One request; `transaction` is 0 on a serial line."""

    transaction: int
    unit: int
    pdu: bytes


class NotModbusError(ValueError):
    """The stream is no Modbus TCP: the connection is to be closed."""


class TcpFrames:
    """One TCP connection's stream."""

    def __init__(self) -> None:
        self._heard = b""

    def feed(self, data: bytes) -> list[Request]:
        """Whole requests so far. Raises NotModbusError for a wrong protocol number or length."""
        self._heard += data
        requests: list[Request] = []
        while len(self._heard) >= _HEADER.size:
            transaction, protocol, length, unit = _HEADER.unpack_from(self._heard)
            if protocol != 0 or not 2 <= length <= MAX_PDU_BYTES + 1:
                raise NotModbusError(f"protocol {protocol}, length {length}")
            end = _HEADER.size - 1 + length
            if len(self._heard) < end:
                break
            requests.append(Request(transaction, unit, self._heard[_HEADER.size : end]))
            self._heard = self._heard[end:]
        return requests

    @staticmethod
    def answer(request: Request, pdu: bytes) -> bytes:
        """The frame that answers `request`."""
        return _HEADER.pack(request.transaction, 0, len(pdu) + 1, request.unit) + pdu


class RtuFrames:
    """One serial line's stream.

    A frame ends where its function says; what is damaged or unknown ends with the silence, and a
    damaged frame gets no answer at all.
    """

    def __init__(self) -> None:
        self._heard = b""

    @property
    def waiting(self) -> bool:
        """True while bytes wait for more, or for the silence."""
        return bool(self._heard)

    def feed(self, data: bytes) -> list[Request]:
        """Whole, undamaged requests so far."""
        self._heard += data
        requests: list[Request] = []
        while length := self._length():
            frame = self._heard[:length]
            if crc16(frame[:-2]) != frame[-2:]:
                break
            self._heard = self._heard[length:]
            requests.append(Request(0, frame[0], frame[1:-2]))
        return requests

    def silence(self) -> list[Request]:
        """The line has been silent: what is left is one frame of an unknown function, or junk."""
        frame, self._heard = self._heard, b""
        if len(frame) >= 4 and crc16(frame[:-2]) == frame[-2:]:
            return [Request(0, frame[0], frame[1:-2])]
        return []

    def _length(self) -> int:
        """Length of the frame at the front, 0 while it is not whole or not known."""
        if len(self._heard) < 4:
            return 0
        function = self._heard[1]
        length = _FIXED_BYTES.get(function, 0)
        if place := _COUNTED_AT.get(function):
            if len(self._heard) <= place:
                return 0
            length = place + 1 + self._heard[place] + 2
        return length if len(self._heard) >= length else 0

    @staticmethod
    def answer(request: Request, pdu: bytes) -> bytes:
        """The frame that answers `request`."""
        frame = bytes((request.unit,)) + pdu
        return frame + crc16(frame)
