"""What an integrator is told of a site's buses: the read plan, and how old each input can get."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict, dataclass
from typing import Any

from linectl.registers.budget import Budget, BusBudget
from linectl.registers.frames import read_pdu_bytes
from linectl.registers.requests import ReadRequest
from linectl.registers.wire_time import frame_bytes
from linectl.site.model import Site
from linectl.site.notation import both_ways, reference


@dataclass(frozen=True)
class AgeRow:
    """An input that a cause of the interlocks names, and the oldest it gets on a healthy line."""

    tag: str
    bus: str
    device: str
    poll: str
    """Its polling class; "": every poll."""
    period_ms: float
    """From one read of it to the next."""
    worst_ms: float
    causes: tuple[str, ...]


@dataclass(frozen=True)
class RequestRow:
    """One request of the read plan, for a person."""

    bus: str
    request: ReadRequest
    first: str
    """Its first and last address, both ways."""
    last: str
    frame_bytes: int
    """Of request and answer together, as they leave and reach us."""
    ms: float
    tags: tuple[str, ...]

    @property
    def addresses(self) -> str:
        """`discrete 0–48` and, on a line of its own, `10001–10049`: a table's width is dear."""
        request = self.request
        ends = sorted({request.address, request.address + request.quantity - 1})
        places = "–".join(str(address) for address in ends)
        numbers = "–".join(reference(request.table, address) for address in ends)
        return f"{request.table} {places}\n{numbers}"


def interlock_ages(site: Site, budget: Budget) -> tuple[AgeRow, ...]:
    """Every input that a cause names, in the order of the IO list."""
    causes: dict[str, list[str]] = {}
    for name, cause in site.interlocks.causes.items():
        for condition in cause.when:
            causes.setdefault(condition.point, []).append(name)
    return tuple(
        AgeRow(
            point.tag,
            site.file.devices[point.device].bus,
            point.device,
            budget.read_of(point).request.poll,
            budget.period_ms(point),
            budget.worst_age_ms(point),
            tuple(dict.fromkeys(causes[point.tag])),
        )
        for point in site.points
        if point.direction == "in" and point.tag in causes
    )


def request_rows(site: Site, budget: Budget) -> tuple[RequestRow, ...]:
    """Every read of every bus, in the order of a poll."""
    rows = []
    for bus in budget.buses.values():
        for read in bus.reads:
            request = read.request
            ends = (request.address, request.address + request.quantity - 1)
            first, last = (both_ways(request.table, end) for end in ends)
            both = sum(
                frame_bytes(site.file.buses[bus.name], count)
                for count in read_pdu_bytes(request.function, request.quantity)
            )
            tags = tuple(site.points[index].tag for index in request.points)
            rows.append(RequestRow(bus.name, request, first, last, both, read.ms, tags))
    return tuple(rows)


def plan_fraction(buses: Sequence[BusBudget]) -> float | None:
    """Time of all planned reads over that of one request for each input; None without inputs."""
    single_ms = sum(bus.single_ms for bus in buses)
    return sum(bus.mean_ms for bus in buses) / single_ms if single_ms else None


def bus_json(bus: BusBudget) -> dict[str, Any]:
    """A bus in `check --json`."""
    return {
        "name": bus.name,
        "kind": bus.kind,
        "requests": bus.requests,
        "cycle_ms": bus.cycle_ms,
        "wire_ms": bus.wire_ms,
        "mean_ms": bus.mean_ms,
        "write_ms": bus.write_ms,
        "poll_ms": bus.poll_ms,
        "headroom_ms": bus.headroom_ms,
        "fits": bus.fits,
        "single_ms": bus.single_ms,
        "fraction": bus.fraction,
    }


def age_json(age: AgeRow) -> dict[str, Any]:
    """An interlock input in `check --json`."""
    return asdict(age)


def request_json(row: RequestRow) -> dict[str, Any]:
    """A request in `check --plan --json`; addresses are protocol addresses."""
    request = row.request
    return {
        "bus": row.bus,
        "device": request.device,
        "unit": request.unit,
        "function": request.function,
        "address": request.address,
        "quantity": request.quantity,
        "first": row.first,
        "last": row.last,
        "poll": request.poll,
        "every": request.every,
        "phase": request.phase,
        "bytes": row.frame_bytes,
        "ms": row.ms,
        "points": list(row.tags),
    }
