"""A trace read with its site: exchanges told in points and engineering values."""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from linectl.commission.exchanges import FINE, BusTiming, Exchange, exchanges
from linectl.commission.frame_reading import IDENTIFY, READS
from linectl.errors import LinectlError, Unreachable
from linectl.field.trace_lines import Framing, Trace, read_trace
from linectl.image import Value
from linectl.registers.codec import Decoder, decoder
from linectl.registers.wire_time import character_ms
from linectl.site.hardware import Bus, Point, RtuBus, TcpBus
from linectl.site.model import Site
from linectl.site.notation import Table, both_ways


@dataclass(frozen=True)
class Told:
    """An exchange, its device and the points it carried, each as the line sees it: decoded, in
    its unit, inverted where the list says so; before forces and filter delays."""

    exchange: Exchange
    device: str | None
    """None if the site has no device with that unit on that bus."""
    points: dict[str, Value]
    changed: dict[str, tuple[Value | None, Value]]
    """Points whose value differs from their last one in the same direction; None: the first."""

    @property
    def is_fine(self) -> bool:
        return self.exchange.outcome in FINE

    @property
    def what(self) -> str:
        """`read input 0–5 (reference 30001–30006)`, or an empty text without a request."""
        request = self.exchange.request
        if request is None:
            return ""
        if request.table is None:
            return (
                "identification" if request.function == IDENTIFY else f"function {request.function}"
            )
        kind = "read" if request.is_read else "write"
        return f"{kind} {both_ways(request.table, request.address, request.quantity)}"

    def as_json(self) -> dict[str, Any]:
        exchange, request = self.exchange, self.exchange.request
        return {
            "at_s": round(exchange.at_s, 6),
            "bus": exchange.bus,
            "device": self.device,
            "unit": request.unit if request else None,
            "function": request.function if request else None,
            "table": request.table if request else None,
            "address": request.address if request else None,
            "quantity": request.quantity if request else None,
            "what": self.what,
            "outcome": exchange.outcome,
            "latency_ms": None if exchange.latency_ms is None else round(exchange.latency_ms, 3),
            "text": exchange.text,
            "points": self.points,
        }


@dataclass
class Reader:
    """Tells the exchanges of one trace in order, and counts them."""

    site: Site
    trace: Trace
    outcomes: dict[str, Counter[str]] = field(default_factory=lambda: defaultdict(Counter))
    """By bus, how many exchanges had which outcome."""
    _last: dict[tuple[str, bool], Value] = field(default_factory=dict)
    _decoders: dict[tuple[int, int], Decoder] = field(default_factory=dict)

    def __post_init__(self) -> None:
        self._devices = {
            (device.bus, device.unit): name for name, device in self.site.file.devices.items()
        }
        self._points: dict[tuple[str, Table], list[Point]] = defaultdict(list)
        for point in sorted(self.site.points, key=lambda p: (p.address, p.bit or 0)):
            self._points[point.device, point.table].append(point)

    @property
    def remarks(self) -> list[str]:
        """What a person must know before believing what is told; complete when all is read."""
        found = []
        header, trace = self.trace.header, self.trace
        if header.site != self.site.name:
            found.append(f"the trace is of site {header.site}, not of {self.site.name}")
        elif header.digest != self.site.digest:
            found.append(
                "the site's files have changed since: names and values are those of today's files"
            )
        for bus, count in trace.dropped.items():
            found.append(f"{count} frames of bus {bus} are missing: the disk was too slow for them")
        if trace.full:
            found.append("the file was full before the end")
        if not trace.ended:
            found.append("the trace has no end: the program was killed, or still writes")
        if trace.broken_lines:
            found.append(f"{trace.broken_lines} lines are no part of a trace")
        strangers = sorted(set(header.buses) - set(self.site.file.buses))
        if strangers:
            found.append(f"the site has no bus {', '.join(strangers)}")
        return found

    def told(self) -> Iterator[Told]:
        """Every exchange of the trace; draws the file while it goes."""
        timings = {
            name: _timing("rtu" if traced["framing"] == "rtu" else "tcp", bus)
            for name, traced in self.trace.header.buses.items()
            if (bus := self.site.file.buses.get(name)) is not None
        }
        for exchange in exchanges(self.trace.frames, timings):
            self.outcomes[exchange.bus][exchange.outcome] += 1
            yield self._tell(exchange)

    def _tell(self, exchange: Exchange) -> Told:
        request = exchange.request
        if request is None:
            return Told(exchange, None, {}, {})
        device = self._devices.get((exchange.bus, request.unit))
        cells = exchange.cells or request.cells
        values: dict[str, Value] = {}
        changed: dict[str, tuple[Value | None, Value]] = {}
        for point in self._within(device, request.table, request.address, request.quantity):
            if not cells:
                continue
            value = self._value(point, cells, request.address)
            values[point.tag] = value
            key = point.tag, request.function in READS
            before = self._last.get(key)
            if before != value and exchange.outcome == "answered":
                changed[point.tag] = before, value
                self._last[key] = value
        return Told(exchange, device, values, changed)

    def tags_of(self, told: Told) -> list[str]:
        """The points that an exchange is about, whether or not values came."""
        request = told.exchange.request
        if request is None:
            return []
        found = self._within(told.device, request.table, request.address, request.quantity)
        return [point.tag for point in found]

    def _within(
        self, device: str | None, table: Table | None, address: int, quantity: int
    ) -> list[Point]:
        if device is None or table is None:
            return []
        end = address + quantity
        return [
            point
            for point in self._points.get((device, table), ())
            if address <= point.address and point.address + point.words <= end
        ]

    def _value(self, point: Point, cells: tuple[int, ...], address: int) -> Value:
        key = point.index, point.address - address
        if key not in self._decoders:
            self._decoders[key] = decoder(point, point.address - address)
        value = self._decoders[key](cells)
        return not value if point.is_bool and point.invert else value


def _timing(framing: Framing, bus: Bus) -> BusTiming:
    line = bus if isinstance(bus, RtuBus) else bus.line if isinstance(bus, TcpBus) else None
    return BusTiming(framing, bus.timeout_ms, character_ms(line) if line else 0.0)


@contextmanager
def opened(path: Path, site: Site) -> Iterator[Reader]:
    """A reader of the trace in `path`. Raises Unreachable, or LinectlError if it is no trace."""
    try:
        file = path.open(encoding="utf-8", errors="replace")
    except OSError as error:
        raise Unreachable(f"{path}: cannot be read ({error.strerror})") from error
    with file:
        try:
            trace = read_trace(file)
        except ValueError as error:
            raise LinectlError(f"{path}: {error}; `linectl run --trace FILE` writes one") from error
        yield Reader(site, trace)
