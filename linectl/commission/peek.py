"""Looks at raw registers of one device: the address asked for, its neighbours, every reading.

Reads only. An address that the map does not name is read because a person asks for it, and that
is said; one that the site declares unreadable is never read. The neighbours are asked one by one,
so that a hole beside the address does not hide it; what belongs together in 32 bits is then asked
for in one request, so that the value is not torn.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import NamedTuple

from linectl.commission.asked import Asked, asked, device_of
from linectl.commission.talk import Heard, Line, Talk, late_ms
from linectl.errors import Unreachable, UsageError
from linectl.field.advice import advice, meaning
from linectl.image import Value
from linectl.registers.codec import decode
from linectl.registers.display import Display, Fit, by_chance, display, fits
from linectl.registers.frames import READ_FUNCTIONS
from linectl.site.hardware import Bus, Device, Point
from linectl.site.model import Site
from linectl.site.notation import LAST_ADDRESS, Table, both_ways

COUNT_MAX = 64
"""Addresses that one look may ask for; each is a request of its own."""

_TABLES_OF_BITS = ("coil", "discrete")


class Cell(NamedTuple):
    """One address: what it holds, or why that is not known."""

    address: int
    asked: bool
    """False for a neighbour."""
    heard: Heard | None
    """None if it was not read; `left` says why."""
    left: str
    points: tuple[Point, ...]
    """What the map has there: bits of the register, or a value that begins or goes on here."""

    @property
    def word(self) -> int | None:
        return self.heard.cells[0] if self.heard and self.heard.good else None


class Pair(NamedTuple):
    """Two neighbouring registers."""

    words: tuple[int, int]
    together: bool
    """False: they came in two requests and may be of two moments."""


class Shift(NamedTuple):
    """A point of the map, read where the map says and one beside it."""

    point: Point
    by: int
    """−1, 0 or 1 addresses."""
    value: Value | None
    """Scale and offset done, as linectl reads it; None where an address is missing."""


@dataclass(frozen=True)
class Look:
    """All that one look brought."""

    device_name: str
    device: Device
    bus: Bus
    asked: Asked
    cells: tuple[Cell, ...]
    pairs: Mapping[int, Pair]
    shifts: tuple[Shift, ...]
    display: Display | None
    fits: tuple[Fit, ...]
    by_chance: float
    """Fits that random contents would give."""
    notes: tuple[str, ...]
    checks: tuple[str, ...]
    """What to check next, if the address asked for was not read."""

    @property
    def ok(self) -> bool:
        """True if every address asked for was read."""
        return all(cell.word is not None for cell in self.cells if cell.asked)

    @property
    def is_bits(self) -> bool:
        return self.asked.table in _TABLES_OF_BITS


def peek(
    site: Site,
    device_name: str,
    address: str,
    line: Line,
    *,
    table: str | None = None,
    count: int = 1,
    shown: str | None = None,
) -> Look:
    """Looks at `count` addresses from `address` on, over an open line.

    shown: what the device's own display says. Raises UsageError for what cannot be asked,
    Unreachable when the device does not answer at all.
    """
    device = device_of(site, device_name)
    want = asked(site, device_name, address, table)
    said = display(shown) if shown is not None else None
    if said is not None and want.table in _TABLES_OF_BITS:
        raise UsageError(f"{want} is a single bit: a display's value lies in registers")
    if not 1 <= count <= COUNT_MAX or want.address + count - 1 > LAST_ADDRESS:
        raise UsageError(f"--count {count} from {want} on: at most {COUNT_MAX}, none past 65535")
    return _Looking(site, device_name, device, want, count, line).look(said)


class _Looking:
    """One look: asks, then puts together what came."""

    def __init__(
        self, site: Site, name: str, device: Device, want: Asked, count: int, line: Line
    ) -> None:
        self._name = name
        self._device = device
        self._bus = site.file.buses[device.bus]
        self._want = want
        self._wanted = range(want.address, want.address + count)
        self._mine = [p for p in site.points if p.device == name and p.table == want.table]
        self._talk = Talk(line, late_ms(self._bus, device.late_ms))
        for at in self._wanted:
            if why := unreadable(device, want.table, at):
                raise UsageError(
                    f"{name}: {both_ways(want.table, at)} {why} in site.yaml; it is not read. "
                    "If the manual says that it may be read, alter site.yaml first"
                )

    def look(self, said: Display | None) -> Look:
        bits = self._want.table in _TABLES_OF_BITS
        heard = {at: self._read(at) for at in self._wanted}
        around = [at for at in self._around(said is not None) if at not in heard]
        left = {at: unreadable(self._device, self._want.table, at) for at in around}
        heard |= {at: self._read(at) for at in around if not left[at]}
        if not any(one.there for one in heard.values()):
            raise self._not_there(heard[self._want.address])
        good = {at: one.cells[0] for at, one in heard.items() if one.good}
        pairs = {} if bits else self._pairs(good)
        cells = tuple(
            Cell(at, at in self._wanted, heard.get(at), left.get(at, ""), self._points(at))
            for at in sorted({*heard, *around})
        )
        found = () if said is None else self._fits(said, good, pairs)
        return Look(
            self._name,
            self._device,
            self._bus,
            self._want,
            cells,
            pairs,
            () if bits else tuple(self._shifts(good, pairs)),
            said,
            found,
            by_chance(said, len(good)) if said else 0.0,
            (*self._want.notes, *self._notes(pairs)),
            self._checks(heard),
        )

    def _read(self, at: int, quantity: int = 1) -> Heard:
        return self._talk.read(
            self._name, self._device.unit, self._want.table, at, quantity, self._device.pause_ms
        )

    def _around(self, displayed: bool) -> list[int]:
        """The neighbours: of the addresses asked for, and of the values that lie on them."""
        first, last = self._wanted[0] - 1, self._wanted[-1] + 1
        if displayed:
            last += 1  # a 32-bit value one address higher ends there
        for at in self._wanted:
            for point in self._points(at):
                if not point.is_bool:
                    first = min(first, point.address - 1)
                    last = max(last, point.address + point.words)
        return list(range(max(first, 0), min(last, LAST_ADDRESS) + 1))

    def _points(self, at: int) -> tuple[Point, ...]:
        found = [p for p in self._mine if p.address <= at < p.address + p.words]
        return tuple(sorted(found, key=lambda point: (point.bit or 0, point.tag)))

    def _pairs(self, good: Mapping[int, int]) -> dict[int, Pair]:
        """Every two neighbours that answered, asked for again in one request."""
        pairs = {}
        for at in sorted(good):
            if at + 1 not in good:
                continue
            both = self._read(at, 2) if self._device.max_read_registers > 1 else None
            if both is not None and both.good:
                pairs[at] = Pair((both.cells[0], both.cells[1]), True)
            else:
                pairs[at] = Pair((good[at], good[at + 1]), False)
        return pairs

    def _shifts(self, good: Mapping[int, int], pairs: Mapping[int, Pair]) -> Iterable[Shift]:
        points = {p.tag: p for at in self._wanted for p in self._points(at) if not p.is_bool}
        for point in points.values():
            for by in (-1, 0, 1):
                at = point.address + by
                words: tuple[int, ...] = ()
                if point.words == 2 and at in pairs:
                    words = pairs[at].words
                elif point.words == 1 and at in good:
                    words = (good[at],)
                yield Shift(point, by, decode(self._ordered(point), words) if words else None)

    def _ordered(self, point: Point) -> Point:
        """The point with its device's word order, if it has none of its own."""
        if point.words == 1 or point.word_order is not None:
            return point
        return point.model_copy(update={"word_order": self._device.word_order})

    def _fits(
        self, said: Display, good: Mapping[int, int], pairs: Mapping[int, Pair]
    ) -> tuple[Fit, ...]:
        first, last = self._wanted[0] - 1, self._wanted[-1] + 1
        near = {at: word for at, word in good.items() if first <= at <= last}
        joined = {at: pair.words for at, pair in pairs.items()}
        return fits(said, near, joined, self._want.address, self._device.word_order)

    def _notes(self, pairs: Mapping[int, Pair]) -> Iterable[str]:
        unnamed = [at for at in self._wanted if not self._points(at)]
        if unnamed:
            where = both_ways(self._want.table, unnamed[0])
            more = f" and {len(unnamed) - 1} more" if len(unnamed) > 1 else ""
            yield (
                f"no point of io.csv names {where}{more}: read only because you asked. Some "
                "devices answer the next question wrongly after a register that they do not have"
            )
        if torn := [at for at, pair in pairs.items() if not pair.together]:
            yield (
                f"{both_ways(self._want.table, torn[0])} and the next came in two requests: in 32 "
                "bits they may be of two moments"
            )

    def _checks(self, heard: Mapping[int, Heard]) -> tuple[str, ...]:
        for at in self._wanted:
            if not heard[at].good:
                below = heard.get(at - 1)
                end = below is not None and below.good
                function = READ_FUNCTIONS[self._want.table]
                return advice(heard[at].kind, self._bus, function, end_of_range=end)
        return ()

    def _not_there(self, came: Heard) -> Unreachable:
        checks = "\n".join(f"  - {step}" for step in advice(came.kind, self._bus))
        return Unreachable(
            f"{self._name} (unit {self._device.unit} on bus {self._device.bus}): {self._want} could"
            f" not be read, nor its neighbours.\nExpected: an answer within {self._bus.timeout_ms}"
            f" ms. Came: {meaning(came.kind)}.\nCheck next:\n{checks}"
        )


def unreadable(device: Device, table: Table, address: int) -> str:
    """Why the site says that this address must not be read; empty if it may."""
    ranges = device.ranges(device.readable, table)
    if ranges and not any(address in one for one in ranges):
        return "is outside `readable`"
    if any(address in one for one in device.ranges(device.holes, table)):
        return "is in `holes`"
    return ""
