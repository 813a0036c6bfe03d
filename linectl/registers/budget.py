"""What a site's buses can do in time: poll cycles, ages of inputs, worst-case reactions. Pure.

    reaction = input filter + device + poll cycle + wait for the read slot + read + scan
               + wait for the write slot + write + output device + our own time for each exchange

The poll cycle counts as often as the input's polling class lets polls pass. A read waits for its
slot longer than at the poll before when slow requests or writes come before it.
All are worst cases of a healthy line. A device's own scan is not known to us: its turnaround is
taken for it, once at the input and once at the output. Another device of the same bus that has
just fallen silent adds its time-out and the quiet time after it (`silent_extra_ms`): once, because
what goes safe is written before anyone is tried again.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from functools import lru_cache
from typing import NamedTuple

from linectl.registers.frames import REQUEST_PDU_BYTES, read_pdu_bytes
from linectl.registers.phases import PollTable
from linectl.registers.plan import one_by_one_ms, read_ms, read_plan, write_plan
from linectl.registers.proofs import proving_reads
from linectl.registers.requests import ReadRequest
from linectl.registers.wire_time import (
    QUIET_SLACK_MS,
    UNPROVEN_QUIET,
    WORST_HOST_MS,
    answer_ms,
    line_silence_ms,
    sample_ms,
)
from linectl.registers.write_blocks import (
    WriteBlock,
    claim_ms,
    heartbeat_ms,
    read_back_ms,
    write_block_ms,
    write_request_ms,
)
from linectl.site.hardware import CLAIM_BEAT_MS, Bus, Device, Point
from linectl.site.model import Site
from linectl.site.reading import polls_between

SITES_KEPT = 8
"""Sites whose budgets are kept, so that whoever asks again does not work them out again."""


class TimedRead(NamedTuple):
    """One read in the grid of a poll, offsets in ms from the start of the fullest poll it is in."""

    request: ReadRequest
    start_ms: float
    sample_ms: float
    """When the device looks at its inputs."""
    done_ms: float
    """When the answer is whole and the next request may start."""
    shift_ms: float
    """By how much slow requests may put it off from one poll to another, in whatever order."""

    @property
    def ms(self) -> float:
        """How long it holds the bus."""
        return self.done_ms - self.start_ms


class TimedWrite(NamedTuple):
    """One block of outputs: what it costs to write it whole, in ms, in how many requests."""

    block: WriteBlock
    cost_ms: float
    requests: int
    read_back_ms: float
    """What reading it back after a refresh costs; 0 if it is not read back."""


class BusBudget(NamedTuple):
    """One bus: its read grid, its writes, and the cycle that they give.

    wire_ms: the reads of the fullest poll. mean_ms: of a poll in the mean. write_ms: every output
    once, as a refresh of all does, with what is read back, and the heartbeats of one poll.
    cycle_ms: the longer of the poll asked for and the fullest poll's reads + writes.
    """

    name: str
    kind: str
    reads: tuple[TimedRead, ...]
    writes: tuple[TimedWrite, ...]
    wire_ms: float
    mean_ms: float
    write_ms: float
    poll_ms: int
    cycle_ms: float
    longest_ms: float
    """The longest single exchange: what a write may have to wait for."""
    answer_ms: float
    """The longest from a request's end until its answer is whole: less than the time-out."""
    silent_extra_ms: float
    """What one device that has just fallen silent holds the bus up at each try, until it is
    demoted: the time-out, and on a link without numbers the quiet time after it."""
    unproven: tuple[str, ...]
    """Devices without a proving read, on a link without numbers."""
    single_ms: float
    """What one request for each input, at the rate of its class, would take of a poll."""

    @property
    def requests(self) -> int:
        return len(self.reads)

    @property
    def headroom_ms(self) -> float:
        """What is left of the poll asked for, in its worst case; negative if it does not fit."""
        return self.poll_ms - self.wire_ms - self.write_ms

    @property
    def fits(self) -> bool:
        """True if reads and writes fit the poll that the site asks for."""
        return self.headroom_ms >= 0

    @property
    def fraction(self) -> float | None:
        """Mean time of the reads over that of one request for each input; None without inputs."""
        return self.mean_ms / self.single_ms if self.single_ms else None


class Reaction(NamedTuple):
    """Worst time from a change at an input to the change at an output, by named terms, ms."""

    cause: str
    effect: str
    terms: tuple[tuple[str, float], ...]
    silent_ms: float
    """What another device of these buses that has just fallen silent may add, once."""

    @property
    def worst_ms(self) -> float:
        """With every device answering."""
        return sum(ms for _, ms in self.terms)


class Budget:
    """The budgets of a site, computed once; ask for ages and reactions by point."""

    def __init__(self, site: Site) -> None:
        self.site = site
        self.buses = {budget.name: budget for budget in bus_budgets(site)}
        self._read_of: dict[int, TimedRead] = {}
        self._write_of: dict[int, TimedWrite] = {}
        for budget in self.buses.values():
            for read in budget.reads:
                self._read_of.update(dict.fromkeys(read.request.points, read))
            for write in budget.writes:
                self._write_of.update(dict.fromkeys(write.block.points, write))

    def _bus(self, point: Point) -> BusBudget:
        return self.buses[self.site.file.devices[point.device].bus]

    def read_of(self, point: Point) -> TimedRead:
        """The read that brings an input; KeyError for an output."""
        return self._read_of[point.index]

    def period_ms(self, point: Point) -> float:
        """Time from one read of an input to the next, in ms."""
        return self._read_of[point.index].request.every * self._bus(point).cycle_ms

    def _slot_ms(self, point: Point) -> float:
        """By how much later in its poll a read may come than at the one before, in ms."""
        return self._read_of[point.index].shift_ms + self._bus(point).write_ms

    def worst_age_ms(self, point: Point) -> float:
        """Oldest that a good value of an input gets before its successor is in the image, ms."""
        read = self._read_of[point.index]
        return self.period_ms(point) + self._slot_ms(point) + read.ms + WORST_HOST_MS

    def reaction(self, cause: Point, effect: Point) -> Reaction:
        """Worst reaction from an input to an output; raises KeyError if they are not such."""
        devices = self.site.file.devices
        read, write = self._read_of[cause.index], self._write_of[effect.index]
        sink = self._bus(effect)
        ahead = [other for other in sink.writes if other is not write]
        # The read, the exchange that is waited for, each write ahead, and the write itself.
        exchanges = 2 + sum(other.requests for other in ahead) + write.requests
        return Reaction(
            cause.tag,
            effect.tag,
            (
                ("input filter", float(max(cause.on_delay_ms, cause.off_delay_ms))),
                ("device", float(devices[cause.device].turnaround_ms)),
                ("poll cycle", self.period_ms(cause)),
                ("wait for read slot", self._slot_ms(cause)),
                ("read", read.ms),
                ("scan", float(self.site.file.scan_ms)),
                ("wait for write slot", sink.longest_ms + sum(w.cost_ms for w in ahead)),
                ("write", write.cost_ms),
                ("output device", float(devices[effect.device].turnaround_ms)),
                ("own time", exchanges * WORST_HOST_MS),
            ),
            sum(self._silent_ms(point) for point in (cause, effect)),
        )

    def _silent_ms(self, point: Point) -> float:
        """For a point: what another device of its bus adds; nothing if there is none."""
        bus = self.site.file.devices[point.device].bus
        shared = sum(device.bus == bus for device in self.site.file.devices.values()) > 1
        return self.buses[bus].silent_extra_ms if shared else 0.0


def bus_budgets(site: Site) -> tuple[BusBudget, ...]:
    """The budget of every bus, in the site's order."""
    return _budgets_of(_Itself(site))


class _Itself:
    """A site as a key: equal to itself alone. It is frozen, and what is altered is another one."""

    def __init__(self, site: Site) -> None:
        self.site = site

    def __hash__(self) -> int:
        return id(self.site)

    def __eq__(self, other: object) -> bool:
        return isinstance(other, _Itself) and other.site is self.site


@lru_cache(maxsize=SITES_KEPT)
def _budgets_of(key: _Itself) -> tuple[BusBudget, ...]:
    """Controller, plant and bench of one site all ask for them."""
    return tuple(_bus_budget(key.site, name) for name in key.site.file.buses)


def _bus_budget(site: Site, name: str) -> BusBudget:
    bus = site.file.buses[name]
    devices = {n: device for n, device in site.file.devices.items() if device.bus == name}
    plan = read_plan(site, name)
    reads, wire_ms = _grid(devices, bus, plan)
    writes = tuple(
        _timed_write(block, devices[block.device], bus) for block in write_plan(site, name)
    )
    beats = {n: heartbeat_ms(device, bus) for n, device in devices.items()}
    write_ms = sum(write.cost_ms + write.read_back_ms for write in writes)
    write_ms += sum(_beats(device, bus) * beats[n] for n, device in devices.items())
    claims = [_claims(device, bus) * claim_ms(device, bus) for device in devices.values()]
    write_ms += sum(claims)
    inputs = [p for p in site.points if p.direction == "in" and p.device in devices]
    longest = [
        *(read.ms for read in reads),
        *(write_request_ms(w.block, devices[w.block.device], bus) for w in writes),
        *(write.read_back_ms for write in writes),
        *beats.values(),
        *claims,
    ]
    answer = _answer_ms(devices, bus, reads, writes)
    unproven = () if bus.numbered else _unproven(site, plan, devices)
    return BusBudget(
        name=name,
        kind=bus.kind,
        reads=reads,
        writes=writes,
        wire_ms=wire_ms,
        mean_ms=sum(read.ms * read.request.rate for read in reads),
        write_ms=write_ms,
        poll_ms=bus.poll_ms,
        cycle_ms=max(float(bus.poll_ms), wire_ms + write_ms),
        longest_ms=max([0.0, *longest]),
        answer_ms=answer,
        silent_extra_ms=bus.timeout_ms + _quiet_ms(devices, bus, unproven, answer),
        unproven=unproven,
        single_ms=sum(
            one_by_one_ms(p, devices[p.device], bus) / polls_between(bus, p.poll) for p in inputs
        ),
    )


def _unproven(
    site: Site, plan: Sequence[ReadRequest], devices: Mapping[str, Device]
) -> tuple[str, ...]:
    """The devices of a link without numbers that no read can prove."""
    return tuple(
        name
        for name in devices
        if not proving_reads([r for r in plan if r.device == name], (), site.points)
    )


def _quiet_ms(
    devices: Mapping[str, Device], bus: Bus, unproven: Sequence[str], answer: float
) -> float:
    """The longest quiet time after a time-out: lateness, the late answer itself, silence."""
    if bus.numbered or not devices:
        return 0.0
    late_ms = max(
        (device.late_ms or bus.timeout_ms) * (UNPROVEN_QUIET if name in unproven else 1.0)
        for name, device in devices.items()
    )
    return late_ms + answer + line_silence_ms(bus) + QUIET_SLACK_MS


def _answer_ms(
    devices: Mapping[str, Device],
    bus: Bus,
    reads: Sequence[TimedRead],
    writes: Sequence[TimedWrite],
) -> float:
    """The longest answer of a bus, with our own time to take it."""
    sizes = [
        (read.request.device, read_pdu_bytes(read.request.function, read.request.quantity)[1])
        for read in reads
    ]
    sizes += [(write.block.device, REQUEST_PDU_BYTES) for write in writes]  # an echo
    took = [answer_ms(bus, devices[name].turnaround_ms, size) for name, size in sizes]
    return max(took) + WORST_HOST_MS if took else 0.0


def _beats(device: Device, bus: Bus) -> int:
    """The most heartbeats of a device that fall into one poll."""
    return 0 if device.heartbeat is None else -(-bus.poll_ms // device.heartbeat.every_ms)


def _claims(device: Device, bus: Bus) -> int:
    """The most looks at a device's claim that fall into one poll."""
    return 0 if device.claim is None else -(-bus.poll_ms // CLAIM_BEAT_MS)


def _timed_write(block: WriteBlock, device: Device, bus: Bus) -> TimedWrite:
    whole_ms = write_block_ms(block, device, bus)
    requests = round(whole_ms / write_request_ms(block, device, bus))
    return TimedWrite(block, whole_ms, requests, read_back_ms(block, device, bus))


def _grid(
    devices: Mapping[str, Device], bus: Bus, requests: Sequence[ReadRequest]
) -> tuple[tuple[TimedRead, ...], float]:
    """The reads back to back, each as late as its fullest poll makes it; all of the fullest."""
    table = PollTable(request.every for request in requests)
    starts, took = [], []
    for request in requests:
        starts.append(table.most(request.every, request.phase))
        took.append(read_ms(request, devices[request.device], bus))
        table.add(request.every, request.phase, took[-1])
    fast_ms = sum(ms for request, ms in zip(requests, took, strict=True) if request.every == 1)
    grid: list[TimedRead] = []
    for request, start, ms in zip(requests, starts, took, strict=True):
        device = devices[request.device]
        pdu_bytes = read_pdu_bytes(request.function, request.quantity)
        sampled = start + sample_ms(bus, device.turnaround_ms, pdu_bytes)
        own_ms = 0.0 if request.every == 1 else ms
        shift = table.most(request.every, request.phase) - fast_ms - own_ms
        grid.append(TimedRead(request, start, sampled, start + ms, max(0.0, shift)))
    return tuple(grid), table.fullest
