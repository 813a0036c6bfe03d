"""One served device: its registers from the IO list, its limits, its exceptions, its watchdog.

Stricter than most servers: an address that no point names is exception 2 (or reads 0 where the
site says that gaps may be read), a quantity beyond the device's own limit is exception 3, a
function the device does not have is exception 1. Behaviour: MODBUS Application Protocol V1.1b3.
"""

from __future__ import annotations

import struct
from collections.abc import Sequence
from typing import Protocol

from linectl.errors import OutOfRange
from linectl.image import Value
from linectl.registers.codec import INTEGER_LIMITS, decoder, encoder
from linectl.registers.frames import (
    MASK_WRITE,
    MAX_READ_BITS,
    MAX_READ_REGISTERS,
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

ILLEGAL_FUNCTION, ILLEGAL_ADDRESS, ILLEGAL_VALUE = 1, 2, 3
_TABLE_OF = {function: table for table, function in READ_FUNCTIONS.items()}


class Values(Protocol):
    """What a device's registers show and change: the plant."""

    def read(self, index: int) -> Value: ...

    def write(self, index: int, value: Value) -> None: ...

    def fall_safe(self, device: str) -> None: ...


class RefusalError(Exception):
    """A Modbus exception to be answered."""

    def __init__(self, code: int) -> None:
        self.code = code
        super().__init__(code)


class _Cells:
    """A point as cells of a table."""

    def __init__(self, point: Point) -> None:
        self.point = point
        self.encode = encoder(point)
        self.decode = decoder(point)
        self.mask = self.encode(True)[0] if point.is_bool and point.bit is not None else 0xFFFF
        low, high = INTEGER_LIMITS.get(point.type, (0, 0))
        ends = sorted((low * point.scale + point.offset, high * point.scale + point.offset))
        self.low, self.high = ends
        self.counts = point.unit in ("", "pulses", "seeds") and point.tag.rpartition(".")[2] in (
            "flow_pulses",
            "seed_counter",
        )

    def show(self, value: Value) -> tuple[int, ...]:
        """Cells for a value of the plant: a counter wraps, a measurement stays at its end."""
        try:
            return self.encode(value)
        except OutOfRange:
            if self.counts:
                return self.encode(self.low + (value - self.low) % (self.high - self.low + 1))
            return self.encode(self.low if value < self.low else self.high)


class ServedDevice:
    """Answers requests from the plant's values."""

    def __init__(self, name: str, device: Device, points: Sequence[Point], plant: Values) -> None:
        self.name = name
        self.unit = device.unit
        self.turnaround_ms = device.turnaround_ms
        self._device = device
        self._plant = plant
        mine = [point for point in points if point.device == name]
        self._outputs = [point for point in mine if point.direction == "out"]
        self._at: dict[str, dict[int, list[tuple[_Cells, int]]]] = {t: {} for t in READ_FUNCTIONS}
        for point in mine:
            cells = _Cells(point)
            for offset in range(point.words):
                place = self._at[point.table].setdefault(point.address + offset, [])
                place.append((cells, offset))
        limits = [p.device_watchdog_ms for p in self._outputs if p.device_watchdog_ms]
        if device.watchdog_ms:
            limits.append(device.watchdog_ms)
        self._watchdog_ms = min(limits, default=None)
        self._written_ms = 0
        self._fallen = True

    def request(self, pdu: bytes, now_ms: int) -> bytes:
        """The answer's PDU, an exception included."""
        function = pdu[0]
        try:
            if function in _TABLE_OF:
                return self._read(function, pdu)
            if function in (WRITE_COIL, WRITE_REGISTER):
                return self._write_one(function, pdu, now_ms)
            if function in (WRITE_COILS, WRITE_REGISTERS):
                return self._write_many(function, pdu, now_ms)
            if function == MASK_WRITE:
                return self._mask(pdu, now_ms)
            raise RefusalError(ILLEGAL_FUNCTION)
        except RefusalError as refusal:
            return bytes((function | 0x80, refusal.code))

    def watch(self, now_ms: int) -> None:
        """The device's own watchdog: without a write in time its outputs fall to safe values."""
        limit = self._watchdog_ms
        if limit is None or self._fallen or now_ms - self._written_ms <= limit:
            return
        self._fallen = True
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
        table = _TABLE_OF[function]
        self._check_range(table, address, quantity, self._device.gaps)
        cells = [self._cell(table, at) for at in range(address, address + quantity)]
        data = pack_bits(cells) if bits else struct.pack(f">{quantity}H", *cells)
        return bytes((function, len(data))) + data

    def _check_range(self, table: str, address: int, quantity: int, gaps: bool) -> None:
        known = self._at[table]
        end = address + quantity
        if end > 65536 or not known:
            raise RefusalError(ILLEGAL_ADDRESS)
        if gaps and min(known) <= address and end - 1 <= max(known):
            return
        if any(at not in known for at in range(address, end)):
            raise RefusalError(ILLEGAL_ADDRESS)

    def _cell(self, table: str, address: int) -> int:
        cell = 0
        for cells, offset in self._at[table].get(address, ()):
            words = cells.show(self._plant.read(cells.point.index))
            cell |= words[offset] & cells.mask
        return cell

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
        self._check_range("holding", address, 1, False)
        value = mask_write(self._cell("holding", address), and_mask, or_mask)
        self._take("holding", address, [value], now_ms)
        return pdu

    def _take(self, table: str, address: int, cells: list[int], now_ms: int) -> None:
        """Write cells: all of them or, if one is not there to be written, none."""
        self._check_range(table, address, len(cells), False)
        touched: dict[int, _Cells] = {}
        for at in range(address, address + len(cells)):
            for one, _ in self._at[table][at]:
                if one.point.direction == "in":
                    raise RefusalError(ILLEGAL_ADDRESS)
                touched[one.point.index] = one
        for index, one in touched.items():
            words = list(one.show(self._plant.read(index)))
            for offset in range(one.point.words):
                place = one.point.address + offset - address
                if 0 <= place < len(cells):
                    words[offset] = cells[place]
            self._plant.write(index, one.decode(words))
        self._written_ms = now_ms
        self._fallen = False
