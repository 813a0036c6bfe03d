"""What a site's buses can do in time: poll cycles, ages of inputs, worst-case reactions. Pure.

    reaction = input filter + device + poll cycle + read + scan + wait for the write slot
               + write + output device + our own time for each exchange

All are worst cases of a healthy line. A device's own scan is not known to us: its turnaround is
taken for it, once at the input and once at the output. A device that stops answering adds its
bus's time-out once, until it is demoted (`silent_extra_ms`).
"""

from __future__ import annotations

from typing import NamedTuple

from linectl.registers.frames import read_pdu_bytes
from linectl.registers.plan import (
    ReadRequest,
    WriteBlock,
    read_ms,
    read_plan,
    write_block_ms,
    write_plan,
    write_request_ms,
)
from linectl.registers.wire_time import WORST_HOST_MS, sample_ms, silence_ms
from linectl.site.hardware import Bus, Device, Point, RtuBus
from linectl.site.model import Site


class TimedRead(NamedTuple):
    """One read in the grid of a poll, offsets in ms from the start of the poll."""

    request: ReadRequest
    start_ms: float
    sample_ms: float
    """When the device looks at its inputs."""
    done_ms: float
    """When the answer is whole and the next request may start."""


class TimedWrite(NamedTuple):
    """One block of outputs: what it costs to write it whole, in ms, in how many requests."""

    block: WriteBlock
    cost_ms: float
    requests: int


class BusBudget(NamedTuple):
    """One bus: its read grid, its writes, and the cycle that they give.

    wire_ms: all reads once. write_ms: every output once, as a refresh of all does.
    cycle_ms: the longer of the poll asked for and reads + writes.
    """

    name: str
    kind: str
    reads: tuple[TimedRead, ...]
    writes: tuple[TimedWrite, ...]
    wire_ms: float
    write_ms: float
    poll_ms: int
    cycle_ms: float
    longest_ms: float
    """The longest single exchange: what a write may have to wait for."""
    silent_extra_ms: float
    """What one device that has just fallen silent adds, before it is demoted."""

    @property
    def requests(self) -> int:
        return len(self.reads)

    @property
    def fits(self) -> bool:
        """True if reads and writes fit the poll that the site asks for."""
        return self.wire_ms + self.write_ms <= self.poll_ms


class Reaction(NamedTuple):
    """Worst time from a change at an input to the change at an output, by named terms, ms."""

    cause: str
    effect: str
    terms: tuple[tuple[str, float], ...]

    @property
    def worst_ms(self) -> float:
        return sum(ms for _, ms in self.terms)


class Budget:
    """The budgets of a site, computed once; ask for ages and reactions by point."""

    def __init__(self, site: Site) -> None:
        self.site = site
        self.buses = {name: _bus_budget(site, name) for name in site.file.buses}
        self._read_of: dict[int, TimedRead] = {}
        self._write_of: dict[int, TimedWrite] = {}
        for budget in self.buses.values():
            for read in budget.reads:
                self._read_of.update(dict.fromkeys(read.request.points, read))
            for write in budget.writes:
                self._write_of.update(dict.fromkeys(write.block.points, write))

    def _bus(self, point: Point) -> BusBudget:
        return self.buses[self.site.file.devices[point.device].bus]

    def worst_age_ms(self, point: Point) -> float:
        """Oldest that a good value of an input gets before its successor is in the image, ms."""
        read = self._read_of[point.index]
        return self._bus(point).cycle_ms + (read.done_ms - read.start_ms) + WORST_HOST_MS

    def reaction(self, cause: Point, effect: Point) -> Reaction:
        """Worst reaction from an input to an output; raises KeyError if they are not such."""
        devices = self.site.file.devices
        read, write = self._read_of[cause.index], self._write_of[effect.index]
        source, sink = self._bus(cause), self._bus(effect)
        ahead = [other for other in sink.writes if other is not write]
        # The read, the exchange that is waited for, each write ahead, and the write itself.
        exchanges = 2 + sum(other.requests for other in ahead) + write.requests
        return Reaction(
            cause.tag,
            effect.tag,
            (
                ("input filter", float(max(cause.on_delay_ms, cause.off_delay_ms))),
                ("device", float(devices[cause.device].turnaround_ms)),
                ("poll cycle", source.cycle_ms),
                ("read", read.done_ms - read.start_ms),
                ("scan", float(self.site.file.scan_ms)),
                ("wait for write slot", sink.longest_ms + sum(w.cost_ms for w in ahead)),
                ("write", write.cost_ms),
                ("output device", float(devices[effect.device].turnaround_ms)),
                ("own time", exchanges * WORST_HOST_MS),
            ),
        )


def bus_budgets(site: Site) -> tuple[BusBudget, ...]:
    """The budget of every bus, in the site's order."""
    return tuple(_bus_budget(site, name) for name in site.file.buses)


def worst_ages_ms(site: Site) -> dict[int, float]:
    """Worst age of every input, by image index, in ms."""
    budget = Budget(site)
    return {p.index: budget.worst_age_ms(p) for p in site.points if p.direction == "in"}


def reaction_ms(site: Site, cause: Point, effect: Point) -> float:
    """Worst reaction in ms from a change at input `cause` to output `effect` at its device."""
    return Budget(site).reaction(cause, effect).worst_ms


def _bus_budget(site: Site, name: str) -> BusBudget:
    bus = site.file.buses[name]
    reads = _grid(site, bus, read_plan(site, name))
    writes = tuple(
        _timed_write(block, site.file.devices[block.device], bus)
        for block in write_plan(site, name)
    )
    wire_ms = reads[-1].done_ms if reads else 0.0
    write_ms = sum(write.cost_ms for write in writes)
    quiet_ms = silence_ms(bus) if isinstance(bus, RtuBus) else 0.0
    return BusBudget(
        name=name,
        kind=bus.kind,
        reads=reads,
        writes=writes,
        wire_ms=wire_ms,
        write_ms=write_ms,
        poll_ms=bus.poll_ms,
        cycle_ms=max(float(bus.poll_ms), wire_ms + write_ms),
        longest_ms=max(
            [0.0, *(read.done_ms - read.start_ms for read in reads)]
            + [write_request_ms(w.block, site.file.devices[w.block.device], bus) for w in writes]
        ),
        silent_extra_ms=bus.timeout_ms + quiet_ms,
    )


def _timed_write(block: WriteBlock, device: Device, bus: Bus) -> TimedWrite:
    whole_ms = write_block_ms(block, device, bus)
    return TimedWrite(block, whole_ms, round(whole_ms / write_request_ms(block, device, bus)))


def _grid(site: Site, bus: Bus, requests: tuple[ReadRequest, ...]) -> tuple[TimedRead, ...]:
    """The reads back to back."""
    grid: list[TimedRead] = []
    start = 0.0
    for request in requests:
        device = site.file.devices[request.device]
        pdu_bytes = read_pdu_bytes(request.function, request.quantity)
        sampled = start + sample_ms(bus, device.turnaround_ms, pdu_bytes)
        done = start + read_ms(request, device, bus)
        grid.append(TimedRead(request, start, sampled, done))
        start = done
    return tuple(grid)
