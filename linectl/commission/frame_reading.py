"""Bytes of a wire to Modbus messages: unit, function and data, or what is wrong with them. Pure.

MODBUS over Serial Line V1.02 (2006), 2.5.1: an RTU frame is unit, PDU and CRC. MODBUS Messaging on
TCP/IP Implementation Guide V1.0b (2006), 3.1.3: transaction, protocol 0, length, unit and PDU.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import NamedTuple

from linectl.field.trace_lines import Framing
from linectl.registers.frames import (
    MAX_PDU_BYTES,
    READ_COILS,
    READ_DISCRETE,
    READ_HOLDING,
    READ_INPUT,
    WRITE_COIL,
    WRITE_COILS,
    WRITE_REGISTER,
    WRITE_REGISTERS,
    crc16,
    unpack_bits,
)
from linectl.site.notation import Table, both_ways

EXCEPTION = 0x80
"""Set in the function of an answer that refuses (MODBUS Application Protocol V1.1b3, 7)."""
COIL_ON = 0xFF00

TABLE_OF: dict[int, Table] = {
    READ_COILS: "coil",
    READ_DISCRETE: "discrete",
    READ_HOLDING: "holding",
    READ_INPUT: "input",
    WRITE_COIL: "coil",
    WRITE_COILS: "coil",
    WRITE_REGISTER: "holding",
    WRITE_REGISTERS: "holding",
}
IDENTIFY = 0x2B
"""Read device identification, with 0E behind it (MODBUS Application Protocol V1.1b3, 6.21)."""
READS = frozenset({READ_COILS, READ_DISCRETE, READ_HOLDING, READ_INPUT})
SINGLES = frozenset({WRITE_COIL, WRITE_REGISTER})
BIT_FUNCTIONS = frozenset({READ_COILS, READ_DISCRETE, WRITE_COIL, WRITE_COILS})


class Message(NamedTuple):
    """One frame, whole and with its check sum right. `transaction`: with TCP framing only."""

    unit: int
    pdu: bytes
    transaction: int | None

    @property
    def function(self) -> int:
        return self.pdu[0] & ~EXCEPTION


class Split(NamedTuple):
    """Messages found in some bytes, and the bytes behind them that are none."""

    messages: tuple[Message, ...]
    rest: bytes


@dataclass(frozen=True)
class Request:
    """What was asked. `cells`: bits or registers to write; empty for a read."""

    unit: int
    function: int
    address: int
    quantity: int
    cells: tuple[int, ...] = ()
    transaction: int | None = None

    @property
    def table(self) -> Table | None:
        """None for a function that is about no table, such as identification."""
        return TABLE_OF.get(self.function)

    @property
    def is_read(self) -> bool:
        return self.function in READS


def split(framing: Framing, data: bytes, *, answers: bool) -> Split:
    """The messages in `data`, first to last. `answers`: from a device, else our requests."""
    found = []
    while data:
        message, length = _tcp(data) if framing == "tcp" else _rtu(data, answers)
        if message is None:
            break
        found.append(message)
        data = data[length:]
    return Split(tuple(found), data)


def _tcp(data: bytes) -> tuple[Message | None, int]:
    if len(data) < 8:
        return None, 0
    transaction, protocol = int.from_bytes(data[:2], "big"), int.from_bytes(data[2:4], "big")
    length = int.from_bytes(data[4:6], "big")
    if protocol != 0 or not 2 <= length <= MAX_PDU_BYTES + 1 or len(data) < 6 + length:
        return None, 0
    return Message(data[6], data[7 : 6 + length], transaction), 6 + length


def _rtu(data: bytes, answers: bool) -> tuple[Message | None, int]:
    """The RTU frame that `data` begins with: the length its function says, else all of it."""
    told = _rtu_bytes(data, answers)
    for length in dict.fromkeys((told, len(data))):
        if length is not None and 4 <= length <= len(data):
            frame = data[:length]
            if crc16(frame[:-2]) == frame[-2:]:
                return Message(frame[0], frame[1:-2], None), length
    return None, 0


def _rtu_bytes(data: bytes, answers: bool) -> int | None:
    """Bytes of the frame by its function; None if that cannot be told."""
    if len(data) < 3:
        return None
    function = data[1]
    if answers and function & EXCEPTION:
        return 5
    if answers and function in READS:
        return 5 + data[2]
    if function in READS or function in SINGLES or (answers and function in TABLE_OF):
        return 8
    return 9 + data[6] if function in TABLE_OF and len(data) > 6 else None


def request_of(message: Message) -> Request | None:
    """The request that a message sent by us is; None if it is none."""
    pdu = message.pdu
    if not pdu or pdu[0] & EXCEPTION:
        return None
    if message.function not in TABLE_OF:
        return Request(message.unit, message.function, 0, 0, (), message.transaction)
    if len(pdu) < 5:
        return None
    function, address = pdu[0], int.from_bytes(pdu[1:3], "big")
    number = int.from_bytes(pdu[3:5], "big")
    if function in READS:
        return Request(message.unit, function, address, number, (), message.transaction)
    if function in SINGLES:
        cell = int(number == COIL_ON) if function == WRITE_COIL else number
        return Request(message.unit, function, address, 1, (cell,), message.transaction)
    try:
        cells = _cells(function, pdu[6:], number)
    except ValueError:
        return None
    return Request(message.unit, function, address, number, cells, message.transaction)


def _cells(function: int, data: bytes, quantity: int) -> tuple[int, ...]:
    """Bits or registers in `data`. Raises ValueError if there are not as many."""
    if function in BIT_FUNCTIONS:
        if len(data) != (quantity + 7) // 8:
            raise ValueError(f"{len(data)} bytes for {quantity} bits")
        return unpack_bits(data, quantity)
    if len(data) != 2 * quantity:
        raise ValueError(f"{len(data)} bytes for {quantity} registers")
    return tuple(int.from_bytes(data[at : at + 2], "big") for at in range(0, len(data), 2))


def misfit(request: Request, answer: Message) -> str | None:
    """Why an answer cannot be the one to that request; None if it can."""
    if request.transaction != answer.transaction:
        return f"transaction {answer.transaction} instead of {request.transaction}"
    if answer.unit != request.unit:
        return f"unit {answer.unit} instead of {request.unit}"
    if answer.function != request.function:
        return f"function {answer.function} instead of {request.function}"
    if answer.pdu[0] & EXCEPTION:
        return None if len(answer.pdu) == 2 else f"an exception of {len(answer.pdu)} bytes"
    if request.table is None:
        return None
    if request.is_read:
        try:
            read_cells(request, answer)
        except ValueError as error:
            return str(error)
        return None
    echo = int.from_bytes(answer.pdu[1:3], "big"), int.from_bytes(answer.pdu[3:5], "big")
    if len(answer.pdu) != 5 or echo[0] != request.address:
        came, asked = (both_ways(request.table, at) for at in (echo[0], request.address))
        return f"an echo of {came} instead of {asked}"
    wanted = request.quantity
    if request.function in SINGLES:
        wanted = request.cells[0] * COIL_ON if request.function == WRITE_COIL else request.cells[0]
    return None if echo[1] == wanted else f"an echo of {echo[1]} instead of {wanted}"


def exception_code(answer: Message) -> int | None:
    """The code of an answer that refuses, else None."""
    return answer.pdu[1] if answer.pdu[0] & EXCEPTION and len(answer.pdu) > 1 else None


def read_cells(request: Request, answer: Message) -> tuple[int, ...]:
    """The bits or registers that a read brought. Raises ValueError if the length is another."""
    if len(answer.pdu) < 2 or answer.pdu[1] != len(answer.pdu) - 2:
        raise ValueError("a byte count that does not fit the frame")
    return _cells(request.function, answer.pdu[2:], request.quantity)
