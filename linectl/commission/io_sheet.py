"""A device's IO and wiring sheet: what lies at each place of its tables, and which are spare.

For the cabinet door and the laptop beside it: made from a checked site, so that it says what the
line will do, defaults of device and part included.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from typing import Any, Literal

from linectl.site.durations import format_duration
from linectl.site.hardware import CLAIM_REGISTERS, Bus, Device, Point, RtuBus
from linectl.site.model import Site
from linectl.site.notation import DIGIT, LAST_ADDRESS, Table, reference
from linectl.site.parts import Need, needs_of
from linectl.site.roles import Role

BIT_TABLES = ("coil", "discrete")
REGISTER_BITS = 16

_HEALTHY = frozenset(
    {"closed", "isolator_on", "remote", "remote_selected", "not_low", "not_empty", "single"}
)
_AT_REST = frozenset({"home", "gate_home", "gripper_home", "at_0", "press_up"})
_EITHER = frozenset({"at_up", "at_down", "flag", "ready"})
"""Inputs that may be either way on a healthy line at rest."""


@dataclass(frozen=True)
class Place:
    """One row of the sheet: a point, a stretch of spare places, or one that is never read."""

    kind: Literal["point", "spare", "hole"]
    table: Table
    address: int
    words: int = 1
    """Addresses from `address` on."""
    bit: int | None = None
    bits: int = 1
    """Bits from `bit` on, of a stretch of spare ones within a register."""
    point: Point | None = None
    text: str = ""
    normal: bool | None = None
    """The point's value on a healthy, empty line at rest; None if it may be any."""

    @property
    def reference(self) -> str:
        return _span(reference(self.table, self.address), self.words, self.table, self.address)

    @property
    def where(self) -> str:
        """The protocol address or addresses."""
        last = self.address + self.words - 1
        return f"{self.address}" if self.words == 1 else f"{self.address}–{last}"

    @property
    def bit_text(self) -> str:
        if self.bit is None:
            return ""
        return f"{self.bit}" if self.bits == 1 else f"{self.bit}–{self.bit + self.bits - 1}"

    def cells(self) -> dict[str, str]:
        """Every column as text; empty where it says nothing. The keys of `COLUMNS`."""
        made = dict.fromkeys(COLUMNS, "")
        made |= {
            "table": self.table,
            "address": self.where.replace("–", " to "),
            "reference": self.reference.replace("–", " to "),
            "bit": self.bit_text.replace("–", " to "),
            "tag": "" if self.point else self.kind,
            "what": self.text,
            "normal": "" if self.normal is None else str(int(self.normal)),
        }
        return made | (_point_cells(self.point) if self.point else {})


COLUMNS = (
    "device", "table", "address", "reference", "bit", "tag", "what", "direction", "type",
    "word_order", "byte_order", "scale", "offset", "unit", "invert", "on_delay", "off_delay",
    "normal", "zone", "on_loss", "holds_load", "device_watchdog", "cut_by", "safe", "poll",
    "group", "note",
)  # fmt: skip


@dataclass(frozen=True)
class Sheet:
    """All places of one device, by table and address."""

    name: str
    device: Device
    bus: Bus
    tables: Mapping[Table, tuple[Place, ...]]
    facts: tuple[tuple[str, str], ...] = field(default=())
    """What the device must be set to, and what is assumed of it: name and text."""

    @property
    def points(self) -> int:
        return sum(place.kind == "point" for places in self.tables.values() for place in places)

    def rows_of(self, table: Table) -> list[dict[str, str]]:
        """The places of one table as text."""
        return [place.cells() for place in self.tables[table]]

    def rows(self) -> Iterator[dict[str, str]]:
        """Every place as text, for a CSV file."""
        for places in self.tables.values():
            for place in places:
                yield place.cells() | {"device": self.name}

    def as_json(self) -> dict[str, Any]:
        return {
            "name": self.name,
            "bus": self.device.bus,
            "unit": self.device.unit,
            "notation": self.device.notation,
            "points": self.points,
            "facts": dict(self.facts),
            "places": [place.cells() for places in self.tables.values() for place in places],
        }


def sheet_of(site: Site, name: str) -> Sheet:
    """The sheet of one device. Raises KeyError if the site has no such device."""
    device = site.file.devices[name]
    bus = site.file.buses[device.bus]
    needs = needs_of(site.file)
    tables: dict[Table, tuple[Place, ...]] = {}
    for table in DIGIT:
        mine = [p for p in site.points if p.device == name and p.table == table]
        if mine or device.readable.get(table):
            tables[table] = tuple(_places(device, table, mine, needs))
    return Sheet(name, device, bus, tables, tuple(_facts(device, bus)))


def _places(
    device: Device, table: Table, points: list[Point], needs: Mapping[str, Need]
) -> Iterator[Place]:
    """Points by address with what lies between them; with `readable` to the ends of its ranges."""
    points = sorted(points, key=lambda point: (point.address, point.bit or 0))
    holes = {at for hole in device.ranges(device.holes, table) for at in hole}
    ranges = device.ranges(device.readable, table)
    used = {at for p in points for at in range(p.address, p.address + p.words)}
    known = set(range(min(used), max(used) + 1)) if used else set()
    known |= {at for able in ranges for at in able if at <= LAST_ADDRESS}
    free = sorted(known - used)
    gaps = list(_stretches(table, free, holes))
    rows = [_of_point(point, needs[point.tag]) for point in points] + gaps
    if table not in BIT_TABLES:
        rows += _spare_bits(table, points)
    yield from sorted(rows, key=lambda place: (place.address, place.bit or 0))


def _stretches(table: Table, free: list[int], holes: set[int]) -> Iterator[Place]:
    start = 0
    for end in range(1, len(free) + 1):
        ends = end == len(free) or free[end] != free[end - 1] + 1
        if ends or (free[end] in holes) != (free[end - 1] in holes):
            kind: Literal["spare", "hole"] = "hole" if free[start] in holes else "spare"
            count = end - start
            text = "never read" if kind == "hole" else "spare" + (f", {count}" if count > 1 else "")
            yield Place(kind, table, free[start], count, text=text)
            start = end


def _spare_bits(table: Table, points: list[Point]) -> Iterator[Place]:
    """Bits that no point names, in registers of which single bits are used."""
    used: dict[int, set[int]] = {}
    for point in points:
        if point.bit is not None:
            used.setdefault(point.address, set()).add(point.bit)
    for address, bits in used.items():
        free = [bit for bit in range(REGISTER_BITS) if bit not in bits]
        start = 0
        for end in range(1, len(free) + 1):
            if end == len(free) or free[end] != free[end - 1] + 1:
                yield Place(
                    "spare", table, address, 1, free[start], end - start, text="spare in this word"
                )
                start = end


def _of_point(point: Point, need: Need) -> Place:
    return Place(
        "point",
        point.table,
        point.address,
        point.words,
        point.bit,
        point=point,
        text=need.role.text,
        normal=_normal(point, need.role),
    )


def _normal(point: Point, role: Role) -> bool | None:
    """What the line sees of a healthy, empty line at rest: an output's is its safe value."""
    if role.kind != "bool" or role.name in _EITHER:
        return None
    if role.direction == "out":
        return bool(point.safe)
    name = role.name
    return name in _HEALTHY | _AT_REST or name.endswith(("_ok", "_clear"))


def _span(first: str, words: int, table: Table, address: int) -> str:
    return first if words == 1 else f"{first}–{reference(table, address + words - 1)}"


def _point_cells(point: Point) -> dict[str, str]:
    def time(milliseconds: int | None) -> str:
        return format_duration(milliseconds) if milliseconds else ""

    out = point.direction == "out"
    return {
        "tag": point.tag,
        "direction": point.direction,
        "type": point.type,
        "word_order": (point.word_order or "") if point.words == 2 else "",
        "byte_order": point.byte_order if point.byte_order != "big" else "",
        "scale": f"{point.scale:g}" if not point.is_bool else "",
        "offset": f"{point.offset:g}" if point.offset else "",
        "unit": point.unit,
        "invert": "yes" if point.invert else "",
        "on_delay": time(point.on_delay_ms),
        "off_delay": time(point.off_delay_ms),
        "zone": point.zone,
        "on_loss": point.on_loss or "",
        "holds_load": ("yes" if point.holds_load else "no") if out else "",
        "device_watchdog": time(point.device_watchdog_ms),
        "cut_by": point.cut_by,
        "safe": f"{point.safe:g}" if out else "",
        "poll": point.poll,
        "group": point.group,
        "note": point.note,
    }


def _facts(device: Device, bus: Bus) -> Iterator[tuple[str, str]]:
    if isinstance(bus, RtuBus):
        line = f"{bus.baud} baud, {bus.parity} parity, {bus.stop_bits} stop bit"
        yield "bus", f"{device.bus}: {bus.port}, {line}{'s' if bus.stop_bits > 1 else ''}"
    else:
        yield "bus", f"{device.bus}: {bus.kind} {bus.host}:{bus.port}"
    yield "unit", str(device.unit)
    if device.notation == "reference":
        yield "addresses in its files", "reference numbers, counted from 1"
    else:
        yield "addresses in its files", "protocol addresses, counted from 0"
    yield "counts as silent after", format_duration(device.silent_after_ms)
    if device.watchdog_ms is not None:
        yield "watchdog, set in the device", format_duration(device.watchdog_ms)
        yield "outputs written again every", format_duration(device.refresh_ms)
    if device.heartbeat is not None:
        every = format_duration(device.heartbeat.every_ms)
        register = device.ranges({"holding": (device.heartbeat.address,)}, "holding")[0].start
        spoken = f"holding {register} (reference {reference('holding', register)})"
        yield "heartbeat", f"{spoken}, every {every}"
    if device.claim is not None:
        register = device.ranges({"holding": (device.claim,)}, "holding")[0].start
        last = register + CLAIM_REGISTERS - 1
        yield "claim of the controller", f"holding {register}–{last}, free in the device"
    yield (
        "writes",
        {
            "both": "functions 5, 6, 15, 16",
            "single": "functions 5, 6 only",
            "multiple": "functions 15, 16 only",
        }[device.write],
    )
