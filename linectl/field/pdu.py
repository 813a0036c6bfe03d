"""The one file that knows pymodbus: what a request and its answer say, without frame or wire.

The library makes and reads the PDUs. Frames, sockets and ports are ours, because what it does
there (measured with 3.16.1) cannot be had otherwise: its serial decoder hunts for a frame inside
noise and throws away all that came with it, checks neither function nor length, takes a late
answer for the next one, and polls a serial port instead of waiting on it.
"""

from __future__ import annotations

import logging
from collections.abc import Callable, Sequence

from pymodbus.pdu import DecodePDU, ModbusPDU, ReadDeviceInformationRequest
from pymodbus.pdu.bit_message import (
    ReadCoilsRequest,
    ReadDiscreteInputsRequest,
    WriteMultipleCoilsRequest,
    WriteSingleCoilRequest,
)
from pymodbus.pdu.mei_message import ReadDeviceInformationResponse
from pymodbus.pdu.register_message import (
    ReadHoldingRegistersRequest,
    ReadInputRegistersRequest,
    WriteMultipleRegistersRequest,
    WriteSingleRegisterRequest,
)

from linectl.errors import DeviceRefused, ForeignAnswer
from linectl.field.asks import BIT_READS, EXCEPTION_TEXT, Ask
from linectl.registers.frames import (
    MAX_WRITE_BITS,
    MAX_WRITE_REGISTERS,
    READ_COILS,
    READ_DISCRETE,
    READ_HOLDING,
    READ_INPUT,
    WRITE_COIL,
    WRITE_COILS,
    WRITE_REGISTER,
    WRITE_REGISTERS,
)

for _name in ("pymodbus", "pymodbus_internal"):
    logging.getLogger(_name).setLevel(logging.CRITICAL + 1)

IDENTIFY = 0x2B
IDENTIFY_ENDLESS = "its identification never ends"
OBJECTS_MAX = 256

_DECODER = DecodePDU(is_server=False)

_REQUESTS: dict[int, Callable[[Ask], ModbusPDU]] = {
    READ_COILS: lambda a: ReadCoilsRequest(address=a.address, count=a.quantity),
    READ_DISCRETE: lambda a: ReadDiscreteInputsRequest(address=a.address, count=a.quantity),
    READ_HOLDING: lambda a: ReadHoldingRegistersRequest(address=a.address, count=a.quantity),
    READ_INPUT: lambda a: ReadInputRegistersRequest(address=a.address, count=a.quantity),
    WRITE_COIL: lambda a: WriteSingleCoilRequest(address=a.address, bits=[bool(a.cells[0])]),
    WRITE_REGISTER: lambda a: WriteSingleRegisterRequest(address=a.address, registers=[a.cells[0]]),
    WRITE_COILS: lambda a: WriteMultipleCoilsRequest(
        address=a.address, bits=[bool(cell) for cell in a.cells]
    ),
    WRITE_REGISTERS: lambda a: WriteMultipleRegistersRequest(
        address=a.address, registers=list(a.cells)
    ),
}
_WRITE_LIMITS = {WRITE_COILS: MAX_WRITE_BITS, WRITE_REGISTERS: MAX_WRITE_REGISTERS}


def request_pdu(ask: Ask) -> bytes:
    """The request's PDU. Raises ValueError beyond the protocol's limits; the library sees to those
    of a read, and packs a write that no device can take."""
    most = _WRITE_LIMITS.get(ask.function, 1)
    if len(ask.cells) > most or not all(0 <= cell <= 0xFFFF for cell in ask.cells):
        raise ValueError(f"{ask}: more than {most} cells, or one outside 0–65535")
    return bytes((ask.function,)) + _REQUESTS[ask.function](ask).encode()


def cells_of(ask: Ask, pdu: bytes) -> Sequence[int]:
    """The bits or registers of an answer to `ask`; empty for a write that was taken.

    Raises DeviceRefused for an exception, ForeignAnswer for an answer to something else.
    """
    function = pdu[0] & 0x7F
    if function != ask.function:
        raise foreign(ask, f"function {function}")
    if pdu[0] & 0x80:
        raise refused(ask, pdu)
    if ask.cells:
        _check_echo(ask, pdu)
        return ()
    wanted = (ask.quantity + 7) // 8 if ask.function in BIT_READS else 2 * ask.quantity
    if len(pdu) < 2 or pdu[1] != wanted or len(pdu) != 2 + wanted:
        came = len(pdu) - 2
        what = f"{8 * came} bits" if ask.function in BIT_READS else f"{came / 2:g} registers"
        raise foreign(ask, what)
    answer = _DECODER.decode(pdu)
    if answer is None:
        raise foreign(ask, f"{pdu.hex(' ')}, which cannot be read")
    if ask.function in BIT_READS:
        return answer.bits[: ask.quantity]
    return answer.registers


def refused(ask: Ask, pdu: bytes) -> DeviceRefused:
    """The refusal that an exception's PDU says."""
    code = pdu[1] if len(pdu) > 1 else 0
    text = EXCEPTION_TEXT.get(code, "no meaning in the specification")
    return DeviceRefused(f"{ask}: exception {code}: {text}", code)


def foreign(ask: Ask, came: str) -> ForeignAnswer:
    return ForeignAnswer(f"{ask}: an answer to something else came ({came})", "stale")


def _check_echo(ask: Ask, pdu: bytes) -> None:
    """A write's answer repeats it: whole for a single one, address and quantity for several."""
    sent = request_pdu(ask)[:5]
    if pdu[:3] != sent[:3]:
        raise foreign(ask, f"an echo of address {int.from_bytes(pdu[1:3], 'big')}")
    if pdu != sent:
        raise foreign(ask, "an echo of something else")


def identify_pdu(first: int) -> bytes:
    """Asks for the basic identification from object `first` on (function 2Bh/0Eh)."""
    request = ReadDeviceInformationRequest(read_code=1, object_id=first)
    return bytes((IDENTIFY,)) + request.encode()


def identification(pdu: bytes) -> tuple[dict[int, bytes], int | None]:
    """The objects of an answer to `identify_pdu`, and where to go on; None: that was all.

    Raises ValueError for what is no such answer.
    """
    answer = _DECODER.decode(pdu) if pdu[0] == IDENTIFY and len(pdu) >= 7 else None
    if not isinstance(answer, ReadDeviceInformationResponse):
        raise ValueError(f"{pdu.hex(' ')} is no identification")
    objects = {
        number: value if isinstance(value, bytes) else b" ".join(value)
        for number, value in answer.information.items()
    }
    return objects, answer.next_object_id if answer.more_follows else None
