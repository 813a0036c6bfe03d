"""The bus grid of a bench: when each read looks at its device, and when writes arrive.

Reads and writes of a bus follow its budget, poll after poll, at fixed offsets. On the bench a
change becomes visible only when the next read of its device has come back, and an output arrives
with its bus's next writes: the timing of the wire without a wire. A request of a slower polling
class looks at each of its n-th polls only, from its phase on.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field

from linectl.registers.budget import BusBudget, bus_budgets
from linectl.site.model import Site


@dataclass(eq=False)
class Tap:
    """One read (points, device) or one bus's writes (no points) at `phase + k × period` ms."""

    bus: str
    period_ms: int
    phase_ms: int
    delay_ms: int
    """From the look at the device to the value's being there for a scan."""
    device: str = ""
    points: tuple[int, ...] = ()
    dirty: set[int] = field(default_factory=set)
    """Points that may have changed since the last look."""
    poll: int = -1
    """Its first instant that has not passed yet; kept only while scanning every tick."""
    due: int | None = None
    """The next instant at which this tap has something to do; None: nothing."""

    def instant(self, at_least: int) -> int:
        """The first instant of this tap not before `at_least`."""
        steps = -(-(at_least - self.phase_ms) // self.period_ms)
        return max(0, steps) * self.period_ms + self.phase_ms

    def last_before(self, time: int) -> int:
        """The last instant before `time`; −1 if there was none."""
        if time <= self.phase_ms:
            return -1
        return (time - 1 - self.phase_ms) // self.period_ms * self.period_ms + self.phase_ms


@dataclass(frozen=True)
class Grid:
    """All taps: reads in bus order, then the writes of each bus."""

    reads: tuple[Tap, ...]
    writes: dict[str, Tap]

    def of_points(self) -> dict[int, Tap]:
        """The read that brings a point."""
        return {index: tap for tap in self.reads for index in tap.points}


def bus_grid(site: Site) -> Grid:
    """The grid that the site's budgets give, in whole milliseconds, rounded to the later side."""
    reads: list[Tap] = []
    writes: dict[str, Tap] = {}
    for budget in bus_budgets(site):
        period = max(budget.poll_ms, math.ceil(budget.cycle_ms))
        reads += _reads(budget, period)
        phase = min(period - 1, math.ceil(budget.wire_ms + budget.write_ms / 2))
        writes[budget.name] = Tap(budget.name, period, phase, 0)
    return Grid(tuple(reads), writes)


def ideal_grid(site: Site) -> Grid:
    """A bus that looks and writes every scan without delay: a named exception, for study only."""
    scan_ms = site.file.scan_ms
    reads = tuple(
        Tap(device.bus, scan_ms, 0, 0, name, points)
        for name, device in site.file.devices.items()
        if (points := _inputs(site, name))
    )
    return Grid(reads, {name: Tap(name, scan_ms, 0, 0) for name in site.file.buses})


def _inputs(site: Site, device: str) -> tuple[int, ...]:
    return tuple(p.index for p in site.points if p.device == device and p.direction == "in")


def _reads(budget: BusBudget, period: int) -> list[Tap]:
    taps = []
    for read in budget.reads:
        request = read.request
        phase = request.phase * period + math.ceil(read.sample_ms)
        delay = math.ceil(read.done_ms - read.sample_ms)
        every = request.every * period
        taps.append(Tap(budget.name, every, phase, delay, request.device, tuple(request.points)))
    return taps
