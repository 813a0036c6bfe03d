"""One served device: its registers from the IO list, its limits, its exceptions, its watchdog.

Stricter than most servers: a quantity beyond the device's own limit is exception 3, a function
the device does not have is exception 1. Behaviour: MODBUS Application Protocol V1.1b3.

Its communication watchdog is fed by any write or, where the site declares a heartbeat, only by a
change of that register. When it has not been fed in time the outputs take their safe values. Of
a device with a heartbeat what is written after that stays in its registers until the heartbeat
changes again, and moves nothing before.
"""

from __future__ import annotations

import struct
from collections.abc import Sequence
from typing import Protocol

from linectl.image import Value
from linectl.registers.frames import (
    MASK_WRITE,
    MAX_WRITE_BITS,
    MAX_WRITE_REGISTERS,
    READ_COILS,
    READ_DISCRETE,
    READ_FUNCTIONS,
    WRITE_COIL,
    WRITE_COILS,
    WRITE_REGISTER,
    WRITE_REGISTERS,
    mask_write,
    pack_bits,
    unpack_bits,
)
from linectl.site.hardware import Device, Point
from linectl.site.notation import Table
from linectl.site.reading import MAX_READ_BITS, MAX_READ_REGISTERS
from linectl_sim.line_devices import (
    ILLEGAL_ADDRESS,
    ILLEGAL_FUNCTION,
    ILLEGAL_VALUE,
    RefusalError,
)
from linectl_sim.serve_identity import IDENTIFICATION, identify
from linectl_sim.serve_map import TABLES, PointCells, RegisterMap
from linectl_sim.serve_parameters import parameter_words

TABLE_OF: dict[int, Table] = {READ_FUNCTIONS[table]: table for table in TABLES}


class Values(Protocol):
    """What a device's registers show and change: the plant."""

    def read(self, index: int) -> Value: ...

    def write(self, index: int, value: Value) -> None: ...

    def fall_safe(self, device: str) -> None: ...


class ServedDevice:
    """Answers requests from the plant's values; fits on a modelled line as it is."""

    def __init__(self, name: str, device: Device, points: Sequence[Point], plant: Values) -> None:
        self.name = name
        self.unit = device.unit
        self.turnaround_ms: float = device.turnaround_ms
        self.pause_ms: float = device.pause_ms
        self.late_ms = 0.0
        """By how much its answers come too late, in ms: a worn converter, a busy device."""
        self.product = name
        """The product code that it gives of itself."""
        self.identified = True
        """False: function 2Bh is exception 1."""
        self.without_effect: set[str] = set()
        """Tags of outputs whose writes are accepted and answered, and change nothing."""
        self.refuses: dict[str, int] = {}
        """Tags of outputs whose writes are answered with this exception code."""
        self._device = device
        self._plant = plant
        mine = [point for point in points if point.device == name]
        outputs = [point for point in mine if point.direction == "out"]
        self._map = RegisterMap(device, mine)
        self.parameters = parameter_words(name, device)
        """What stands in the registers of its declared parameters, by table and address."""
        for table, address in self.parameters:
            self._map.names(table, address)
        limits = [p.device_watchdog_ms for p in outputs if p.device_watchdog_ms]
        if device.watchdog_ms:
            limits.append(device.watchdog_ms)
        self._watchdog_ms = min(limits, default=None)
        self._fed_ms = 0
        self._fallen = True
        self._heartbeat = 0
        self._claim: dict[int, int] = {}
        """What stands in its claim registers; its power cut would clear them."""
        self._kept: dict[int, Value] = {}

    def request(self, pdu: bytes, now_ms: int) -> bytes:
        """The answer's PDU, an exception included."""
        function = pdu[0]
        try:
            if function in TABLE_OF:
                return self._read(function, pdu)
            if function in (WRITE_COIL, WRITE_REGISTER):
                return self._write_one(function, pdu, now_ms)
            if function in (WRITE_COILS, WRITE_REGISTERS):
                return self._write_many(function, pdu, now_ms)
            if function == MASK_WRITE:
                return self._mask(pdu, now_ms)
            if function == IDENTIFICATION and self.identified:
                return identify(pdu, self.product)
            raise RefusalError(ILLEGAL_FUNCTION)
        except RefusalError as refusal:
            return bytes((function | 0x80, refusal.code))

    def watch(self, now_ms: int) -> None:
        """The device's own watchdog: not fed in time, its outputs fall to safe values."""
        limit = self._watchdog_ms
        if limit is None or self._fallen or now_ms - self._fed_ms <= limit:
            return
        self._fallen = True
        self._kept.clear()
        self._plant.fall_safe(self.name)

    def _read(self, function: int, pdu: bytes) -> bytes:
        if len(pdu) != 5:
            raise RefusalError(ILLEGAL_VALUE)
        address, quantity = struct.unpack(">HH", pdu[1:])
        bits = function in (READ_COILS, READ_DISCRETE)
        protocol = MAX_READ_BITS if bits else MAX_READ_REGISTERS
        own = self._device.max_read_bits if bits else self._device.max_read_registers
        if not 1 <= quantity <= min(protocol, own):
            raise RefusalError(ILLEGAL_VALUE)
        table = TABLE_OF[function]
        self._map.check_read(table, address, quantity)
        cells = [self._cell(table, at) for at in range(address, address + quantity)]
        data = pack_bits(cells) if bits else struct.pack(f">{quantity}H", *cells)
        return bytes((function, len(data))) + data

    def _cell(self, table: Table, address: int) -> int:
        if (table, address) in self.parameters:
            return self.parameters[table, address]
        if self._map.is_heartbeat(table, address):
            return self._heartbeat
        if self._map.is_claim(table, address):
            return self._claim.get(address, 0)
        cell = 0
        for cells, offset in self._map.cells(table, address):
            cell |= cells.show(self._value(cells.point.index))[offset] & cells.mask
        return cell

    def _value(self, index: int) -> Value:
        kept = self._kept.get(index)
        return self._plant.read(index) if kept is None else kept

    def _write_one(self, function: int, pdu: bytes, now_ms: int) -> bytes:
        if self._device.write == "multiple":
            raise RefusalError(ILLEGAL_FUNCTION)
        if len(pdu) != 5:
            raise RefusalError(ILLEGAL_VALUE)
        address, value = struct.unpack(">HH", pdu[1:])
        if function == WRITE_COIL:
            if value not in (0x0000, 0xFF00):
                raise RefusalError(ILLEGAL_VALUE)
            self._take("coil", address, [value >> 15], now_ms)
        else:
            self._take("holding", address, [value], now_ms)
        return pdu

    def _write_many(self, function: int, pdu: bytes, now_ms: int) -> bytes:
        if self._device.write == "single":
            raise RefusalError(ILLEGAL_FUNCTION)
        bits = function == WRITE_COILS
        if len(pdu) < 7:
            raise RefusalError(ILLEGAL_VALUE)
        address, quantity, length = struct.unpack(">HHB", pdu[1:6])
        protocol = MAX_WRITE_BITS if bits else MAX_WRITE_REGISTERS
        own = self._device.max_write_bits if bits else self._device.max_write_registers
        expected = (quantity + 7) // 8 if bits else 2 * quantity
        data = pdu[6:]
        if not 1 <= quantity <= min(protocol, own) or length != expected or len(data) != length:
            raise RefusalError(ILLEGAL_VALUE)
        if bits:
            self._take("coil", address, list(unpack_bits(data, quantity)), now_ms)
        else:
            self._take("holding", address, list(struct.unpack(f">{quantity}H", data)), now_ms)
        return pdu[:5]

    def _mask(self, pdu: bytes, now_ms: int) -> bytes:
        if len(pdu) != 7:
            raise RefusalError(ILLEGAL_VALUE)
        address, and_mask, or_mask = struct.unpack(">HHH", pdu[1:])
        self._map.check_known("holding", address, 1)
        value = mask_write(self._cell("holding", address), and_mask, or_mask)
        self._take("holding", address, [value], now_ms)
        return pdu

    def _take(self, table: Table, address: int, cells: list[int], now_ms: int) -> None:
        """Write cells: all of them or, if one is not there to be written, none."""
        self._map.check_known(table, address, len(cells))
        touched: dict[int, PointCells] = {}
        for at in range(address, address + len(cells)):
            for one, _ in self._map.cells(table, at):
                if one.point.direction == "in":
                    raise RefusalError(ILLEGAL_ADDRESS)
                if code := self.refuses.get(one.point.tag):
                    raise RefusalError(code)
                touched[one.point.index] = one
        for index, one in touched.items():
            words = list(one.show(self._value(index)))
            for offset in range(one.point.words):
                place = one.point.address + offset - address
                if 0 <= place < len(cells):
                    words[offset] = cells[place]
            if one.point.tag not in self.without_effect:
                self._kept[index] = one.decode(words)
        for at, cell in enumerate(cells, address):
            if self._map.is_claim(table, at):
                self._claim[at] = cell
        beat = self._map.heartbeat_at
        if beat is None:
            self._feed(now_ms)
        elif table == "holding" and address <= beat < address + len(cells):
            value = cells[beat - address]
            if value != self._heartbeat:
                self._heartbeat = value
                self._feed(now_ms)
        if not (beat is not None and self._fallen and self._watchdog_ms):
            self._act()

    def _feed(self, now_ms: int) -> None:
        """The watchdog begins anew."""
        self._fed_ms = now_ms
        self._fallen = False

    def _act(self) -> None:
        """What was written reaches the outputs."""
        for index, value in self._kept.items():
            self._plant.write(index, value)
        self._kept.clear()
