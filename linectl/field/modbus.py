"""The one file that knows pymodbus: a blocking connection that raises our errors.

One exchange at a time, no retries, no reconnecting behind our back, nothing believed that was not
asked for: unit, function, length and echo are checked. What pymodbus does otherwise (measured
with 3.16.1) and what is done about it:

- A late answer on a serial line is taken for the answer to the next request. After a time-out
  the line is kept quiet until the late answer has come whole, or nothing comes for as long
  again; all of it is discarded.
- A device's exception is returned, silence raises, an answer of another unit is skipped.
- A call on a closed client connects again by itself: we ask first whether it is open.
- Some silent requests close the connection: that count is set out of reach.
"""

from __future__ import annotations

import contextlib
import logging
import os
import time
from collections import deque
from collections.abc import Callable, Sequence
from typing import NamedTuple

from pymodbus import FramerType, ModbusException
from pymodbus.client import ModbusSerialClient, ModbusTcpClient
from pymodbus.exceptions import ConnectionException, ModbusIOException
from pymodbus.pdu import ModbusPDU

from linectl.errors import DeviceRefused, ForeignAnswer, LinkDown, Silent, Unreachable
from linectl.registers.frames import (
    READ_COILS,
    READ_DISCRETE,
    READ_HOLDING,
    READ_INPUT,
    WRITE_COIL,
    WRITE_COILS,
    WRITE_REGISTER,
    WRITE_REGISTERS,
    crc16,
)
from linectl.registers.wire_time import silence_ms
from linectl.site.hardware import Bus, RtuBus

for _name in ("pymodbus", "pymodbus_internal"):
    logging.getLogger(_name).setLevel(logging.CRITICAL + 1)

FRAMES_KEPT = 64
QUIET_LIMIT = 10
"""At most this many time-outs are spent on quietening a serial line."""

SHORTEST_ANSWER = 5
"""Bytes of an exception on a serial line: unit, function, code, CRC."""

EXCEPTION_TEXT = {
    1: "the device does not know this function",
    2: "the device has no such address",
    3: "the device does not accept this quantity or value",
    4: "the device failed while doing it",
    5: "the device accepted it and is still busy",
    6: "the device is busy",
    8: "the device's memory has a parity error",
    10: "the gateway has no path",
    11: "the device behind the gateway does not answer",
}


class Ask(NamedTuple):
    """One exchange. `cells` are the bits or registers to write; empty for a read."""

    device: str
    unit: int
    function: int
    address: int
    quantity: int
    cells: tuple[int, ...] = ()

    def __str__(self) -> str:
        end = self.address + self.quantity - 1
        return f"{self.device} (unit {self.unit}) function {self.function}, {self.address}–{end}"


class Frame(NamedTuple):
    """One piece of the wire's traffic; monotonic seconds."""

    at_s: float
    sent: bool
    data: bytes


def _parity(bus: RtuBus, path: str) -> str:
    """The line's parity; a Linux pseudo-terminal refuses any (it has no wire to protect)."""
    if os.path.realpath(path).startswith("/dev/pts/"):
        return "N"
    return bus.parity[0].upper()


class Wire:
    """A connection to one bus. Blocking: for the bus's own thread only."""

    def __init__(self, name: str, bus: Bus, host: str, port: int | str) -> None:
        """`port`: number of a TCP port, or path of a serial port."""
        self.name = name
        self.where = f"{host}:{port}" if bus.kind == "tcp" else str(port)
        self.frames: deque[Frame] = deque(maxlen=FRAMES_KEPT)
        self._bus = bus
        self._gap_s = silence_ms(bus) / 1000 if isinstance(bus, RtuBus) else 0.0
        self._free_at_s = 0.0
        self._came = 0
        timeout_s = bus.timeout_ms / 1000
        self._client: ModbusSerialClient | ModbusTcpClient
        if isinstance(bus, RtuBus):
            self._client = ModbusSerialClient(
                str(port),
                framer=FramerType.RTU,
                baudrate=bus.baud,
                bytesize=8,
                parity=_parity(bus, str(port)),
                stopbits=bus.stop_bits,
                handle_local_echo=False,
                reconnect_delay=0,
                reconnect_delay_max=0,
                timeout=timeout_s,
                retries=0,
                trace_packet=self._trace,
            )
        else:
            self._client = ModbusTcpClient(
                host,
                framer=FramerType.SOCKET,
                port=int(port),
                reconnect_delay=0,
                reconnect_delay_max=0,
                timeout=timeout_s,
                retries=0,
                trace_packet=self._trace,
            )
        self._calls = self._table()
        self._client.set_max_no_responses(1_000_000_000)
        self._client.transaction.count_until_disconnect = 1_000_000_000

    @property
    def is_open(self) -> bool:
        return bool(self._client.connected)

    def open(self) -> None:
        """Connect. Raises LinkDown within the bus's time-out."""
        try:
            connected = self._client.connect()
        except (OSError, ValueError, ModbusException) as error:
            self.close()
            raise LinkDown(f"bus {self.name}: {self.where} cannot be opened: {error}") from error
        if not connected and self._bus.kind == "rtu":
            why = "it refuses the line's speed or parity, or another program holds it"
            if not os.path.exists(self.where):
                why = "there is no such port: is the adapter plugged in?"
            raise LinkDown(f"bus {self.name}: {self.where}: {why}")
        if not connected:
            raise LinkDown(
                f"bus {self.name}: nothing accepts a connection at {self.where}; "
                "check power, cable, address and port"
            )

    def close(self) -> None:
        """Close the connection; never raises."""
        with contextlib.suppress(OSError):
            self._client.close()  # type: ignore[no-untyped-call]

    def read(self, ask: Ask) -> Sequence[int]:
        """The `quantity` bits or registers asked for. Raises Unreachable's kinds."""
        answer = self._exchange(ask)
        if ask.function in (READ_COILS, READ_DISCRETE):
            # Bits come in whole bytes: the last byte's spare bits are cut off.
            if len(answer.bits) != (ask.quantity + 7) // 8 * 8:
                raise self._foreign(ask, f"{len(answer.bits)} bits")
            return answer.bits[: ask.quantity]
        if len(answer.registers) != ask.quantity:
            raise self._foreign(ask, f"{len(answer.registers)} registers")
        return answer.registers

    def write(self, ask: Ask) -> None:
        """Write `cells`; the device's echo must fit. Raises Unreachable's kinds."""
        answer = self._exchange(ask)
        if answer.address != ask.address:
            raise self._foreign(ask, f"an echo of address {answer.address}")
        if ask.function == WRITE_COIL:
            fits = list(answer.bits[:1]) == [bool(ask.cells[0])]
        elif ask.function == WRITE_REGISTER:
            fits = list(answer.registers[:1]) == [ask.cells[0]]
        else:
            fits = answer.count == ask.quantity
        if not fits:
            raise self._foreign(ask, "an echo of something else")

    def settle(self) -> None:
        """After a time-out on a serial line: let the late answer come, and discard it.

        Ends when a whole frame has come (one question, one answer: the line is clean), or when
        nothing has come for a time-out.
        """
        if not isinstance(self._client, ModbusSerialClient) or self._client.socket is None:
            return
        port = self._client.socket
        timeout_s = self._bus.timeout_ms / 1000
        end_s = time.monotonic() + QUIET_LIMIT * timeout_s
        quiet_until_s = time.monotonic() + timeout_s
        late = b""
        try:
            while (now_s := time.monotonic()) < min(quiet_until_s, end_s):
                if waiting := port.in_waiting:
                    late += port.read(waiting)
                    quiet_until_s = now_s + timeout_s
                elif len(late) >= SHORTEST_ANSWER and crc16(late[:-2]) == late[-2:]:
                    break
                time.sleep(min(0.002, timeout_s / 10))
            port.reset_input_buffer()
        except OSError:
            self.close()
        if late:
            self._keep(False, late)
            self._free_at_s = time.monotonic() + self._gap_s

    def _exchange(self, ask: Ask) -> ModbusPDU:
        if not self.is_open:
            raise LinkDown(f"bus {self.name}: {self.where} is not open")
        if (wait_s := self._free_at_s - time.monotonic()) > 0:
            time.sleep(wait_s)
        self._came = 0
        try:
            answer = self._calls[ask.function](ask)
        except ConnectionException as error:
            self.close()
            raise LinkDown(f"bus {self.name}: {self.where} closed during {ask}") from error
        except ModbusIOException as error:
            raise self._no_answer(ask) from error
        except OSError as error:
            self.close()
            raise LinkDown(f"bus {self.name}: {self.where}: {error} during {ask}") from error
        finally:
            self._free_at_s = time.monotonic() + self._gap_s
        self._check(ask, answer)
        return answer

    def _table(self) -> dict[int, Callable[[Ask], ModbusPDU]]:
        client = self._client
        return {
            READ_COILS: lambda a: client.read_coils(a.address, count=a.quantity, device_id=a.unit),
            READ_DISCRETE: lambda a: client.read_discrete_inputs(
                a.address, count=a.quantity, device_id=a.unit
            ),
            READ_HOLDING: lambda a: client.read_holding_registers(
                a.address, count=a.quantity, device_id=a.unit
            ),
            READ_INPUT: lambda a: client.read_input_registers(
                a.address, count=a.quantity, device_id=a.unit
            ),
            WRITE_COIL: lambda a: client.write_coil(a.address, bool(a.cells[0]), device_id=a.unit),
            WRITE_REGISTER: lambda a: client.write_register(
                a.address, a.cells[0], device_id=a.unit
            ),
            WRITE_COILS: lambda a: client.write_coils(
                a.address, [bool(cell) for cell in a.cells], device_id=a.unit
            ),
            WRITE_REGISTERS: lambda a: client.write_registers(
                a.address, list(a.cells), device_id=a.unit
            ),
        }

    def _check(self, ask: Ask, answer: ModbusPDU) -> None:
        if answer.dev_id != ask.unit:
            raise self._foreign(ask, f"unit {answer.dev_id}")
        if answer.function_code & 0x7F != ask.function:
            raise self._foreign(ask, f"function {answer.function_code & 0x7F}")
        if answer.isError():
            code = answer.exception_code
            text = EXCEPTION_TEXT.get(code, "no meaning in the specification")
            raise DeviceRefused(f"{ask}: exception {code}: {text}", code)

    def _foreign(self, ask: Ask, came: str) -> ForeignAnswer:
        return ForeignAnswer(
            f"{ask}: an answer to something else came ({came}); a late answer, a second master, "
            "or two devices with one unit number"
        )

    def _no_answer(self, ask: Ask) -> Unreachable:
        waited = f"within {self._bus.timeout_ms} ms"
        if self._came:
            return ForeignAnswer(
                f"{ask}: {self._came} bytes came {waited} but no whole answer; "
                "check cable, termination, speed and parity"
            )
        return Silent(
            f"{ask}: no answer {waited}; check its power, its unit number and the cable to it"
        )

    def _trace(self, sending: bool, data: bytes) -> bytes:
        if not sending:
            self._came = max(self._came, len(data))
        self._keep(sending, data)
        return data

    def _keep(self, sent: bool, data: bytes) -> None:
        self.frames.append(Frame(time.monotonic(), sent, bytes(data)))
