"""Which addresses a served device has, may be read, and may be written: its register map.

What no point names is not there (exception 2), unless the site says that gaps may be read: then
it reads 0 within the declared ranges or, if none are declared, between two points. A declared
hole, and what lies outside the declared ranges, is exception 2 always.
"""

from __future__ import annotations

from collections.abc import Sequence

from linectl.errors import OutOfRange
from linectl.image import Value
from linectl.registers.codec import decoder, encoder
from linectl.registers.frames import READ_FUNCTIONS
from linectl.site.hardware import CLAIM_REGISTERS, Device, Point
from linectl.site.notation import Table, protocol_address
from linectl.site.register_range import INTEGER_LIMITS
from linectl_sim.line_devices import ILLEGAL_ADDRESS, RefusalError

TABLES: tuple[Table, ...] = ("coil", "discrete", "input", "holding")
COUNTERS = ("flow_pulses", "seed_counter")


class PointCells:
    """A point as cells of a table."""

    def __init__(self, point: Point) -> None:
        self.point = point
        self.encode = encoder(point)
        self.decode = decoder(point)
        self.mask = self.encode(True)[0] if point.is_bool and point.bit is not None else 0xFFFF
        low, high = INTEGER_LIMITS.get(point.type, (0, 0))
        ends = sorted((low * point.scale + point.offset, high * point.scale + point.offset))
        self.low, self.high = ends
        role = point.tag.rpartition(".")[2]
        self.counts = point.unit in ("", "pulses", "seeds") and role in COUNTERS

    def show(self, value: Value) -> tuple[int, ...]:
        """Cells for a value of the plant: a counter wraps, a measurement stays at its end."""
        try:
            return self.encode(value)
        except OutOfRange:
            if self.counts:
                return self.encode(self.low + (value - self.low) % (self.high - self.low + 1))
            return self.encode(self.low if value < self.low else self.high)


class RegisterMap:
    """Cells by table and address, and the device's limits of reading."""

    def __init__(self, device: Device, points: Sequence[Point]) -> None:
        self.heartbeat_at: int | None = None
        """Holding register that must change; no point names it."""
        self.claim_at = range(0)
        """Holding registers that keep what controllers write there; no point names them."""
        self._gaps = device.gaps
        self._at: dict[str, dict[int, list[tuple[PointCells, int]]]]
        self._at = {table: {} for table in READ_FUNCTIONS}
        for point in points:
            cells = PointCells(point)
            for offset in range(point.words):
                self._at[point.table].setdefault(point.address + offset, []).append((cells, offset))
        if device.heartbeat is not None:
            text = device.heartbeat.address
            self.heartbeat_at = protocol_address("holding", text, device.notation)
            self._at["holding"].setdefault(self.heartbeat_at, [])
        if device.claim is not None:
            first = protocol_address("holding", device.claim, device.notation)
            self.claim_at = range(first, first + CLAIM_REGISTERS)
            for address in self.claim_at:
                self._at["holding"].setdefault(address, [])
        self._readable = {table: device.ranges(device.readable, table) for table in TABLES}
        self._holes = {table: device.ranges(device.holes, table) for table in TABLES}

    def cells(self, table: Table, address: int) -> list[tuple[PointCells, int]]:
        """The points at an address, each with the offset of this cell in it."""
        return self._at[table].get(address, [])

    def names(self, table: Table, address: int) -> None:
        """From now on something is there, though no point names it."""
        self._at[table].setdefault(address, [])

    def is_heartbeat(self, table: Table, address: int) -> bool:
        return table == "holding" and address == self.heartbeat_at

    def is_claim(self, table: Table, address: int) -> bool:
        return table == "holding" and address in self.claim_at

    def check_read(self, table: Table, address: int, quantity: int) -> None:
        """Raises RefusalError with exception 2 if any of these may not be read."""
        known = self._at[table]
        asked = range(address, address + quantity)
        if asked.stop > 65536 or not known:
            raise RefusalError(ILLEGAL_ADDRESS)
        readable = self._readable[table]
        for at in asked:
            if any(at in hole for hole in self._holes[table]):
                raise RefusalError(ILLEGAL_ADDRESS)
            if readable and not any(at in part for part in readable):
                raise RefusalError(ILLEGAL_ADDRESS)
        within = min(known) <= address and asked.stop - 1 <= max(known)
        if self._gaps and (readable or within):
            return
        self.check_known(table, address, quantity)

    def check_known(self, table: Table, address: int, quantity: int) -> None:
        """Raises RefusalError with exception 2 if any of these is named by no point."""
        known = self._at[table]
        if any(at not in known for at in range(address, address + quantity)):
            raise RefusalError(ILLEGAL_ADDRESS)
