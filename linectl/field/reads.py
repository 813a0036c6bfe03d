"""The reads of one device: which are due at a poll, what they bring, where they may be split.

A read that the device refuses as a whole is split, once, down to the points that it refuses: the
rest goes on, and the hole is told with what to write into the site's files. Of each device a
proving read is kept, if it has one: a read whose answer has another length than all others, so
that no late answer can be taken for it. Of a device that refuses everything the last read is
kept; when it is answered at last, all the others are tried again.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

from linectl.field.asks import Ask
from linectl.image import Value
from linectl.registers.bisect_reads import gap_of, hole_of, split
from linectl.registers.codec import Decoder, decoder
from linectl.registers.plan import plan_reads
from linectl.registers.proofs import Place, form_of, proving_reads
from linectl.registers.requests import ReadRequest
from linectl.site.hardware import Bus, Device, Point
from linectl.site.notation import Table


class Read:
    """One read of the plan, and the values that it brought last."""

    def __init__(self, name: str, request: ReadRequest, points: Sequence[Point]) -> None:
        self.request = request
        self.ask = _ask(name, request)
        self.decoders: tuple[Decoder, ...] = tuple(
            decoder(points[index], points[index].address - request.address)
            for index in request.points
        )
        self.values: tuple[Value | None, ...] | None = None
        """None until it was read since the device was found."""
        self.owed = True
        """It was due and has brought nothing since."""

    def due(self, poll: int) -> bool:
        """True at each of its polls, and from then on until it has brought something."""
        request = self.request
        self.owed = self.owed or poll % request.every == request.phase
        return self.owed

    def take(self, cells: Sequence[int]) -> None:
        self.values = tuple(decode(cells) for decode in self.decoders)
        self.owed = False

    def forget(self) -> None:
        self.values = None
        self.owed = True


class Reads:
    """All reads of a device. For its bus's thread. `others`: what else is read of it."""

    def __init__(
        self,
        name: str,
        device: Device,
        bus: Bus,
        points: Sequence[Point],
        plan: Sequence[ReadRequest] | None = None,
        others: Sequence[Ask] = (),
    ) -> None:
        self._name = name
        self._device = device
        self._points = points
        self._others = others
        plan = plan_reads(name, device, bus, points) if plan is None else plan
        self._planned = [Read(name, request, points) for request in plan]
        self.reads = list(self._planned)
        self.points = tuple(i for read in self.reads for i in read.request.points)
        self.holes: dict[Table, tuple[str, ...]] = {}
        self._absent: dict[str, str] = {}
        self._singles = [
            place for place, index in enumerate(self.points) if points[index].type == "f32"
        ]
        self.bad: dict[str, str] = {}
        """Tags that are bad though the device answers, and why."""
        self.all_refused = False
        """True while the device has refused every read of the plan."""
        self._parted: list[list[Read]] = []
        """Halves of reads that were refused as a whole, until all have been answered once."""
        self._unfit: set[Place] = set()
        self.proofs = self._proofs()

    def begin_anew(self) -> None:
        """The device was lost: everything is to be read, and refused reads are tried again."""
        self.reads = list(self._planned)
        self.holes, self._absent, self.bad = {}, {}, {}
        self.all_refused = False
        self._parted.clear()
        self._unfit.clear()
        self.proofs = self._proofs()
        for read in self.reads:
            read.forget()

    def due(self, poll: int) -> list[Read]:
        """The reads of the poll with that number; ask once."""
        return [read for read in self.reads if read.due(poll)]

    def owed(self) -> list[Read]:
        """Those of the poll that are still to be had."""
        return [read for read in self.reads if read.owed]

    @property
    def whole(self) -> bool:
        """True if every read has been had since the device was found."""
        return all(read.values is not None for read in self.reads)

    def values(self) -> tuple[Value | None, ...]:
        """A value for every index of `points`; None where the device has no such address."""
        found = {
            index: value
            for read in self.reads
            for index, value in zip(read.request.points, read.values or (), strict=False)
        }
        values = tuple(found.get(index) for index in self.points)
        self._look_for_gaps()
        self._look_for_nonsense(values)
        return values

    def refused(self, read: Read) -> bool:
        """The device refuses `read`. Split it, or leave it out; False if it is not ours, or the
        last that is left."""
        if read not in self.reads:
            return False
        at = self.reads.index(read)
        parts = split(read.request, self._points, self._device)
        if len(parts) > 1:
            halves = [Read(self._name, part, self._points) for part in parts]
            self.reads[at : at + 1] = halves
            self._parted.append(halves)
            self.proofs = self._proofs()
            return True
        if len(self.reads) == 1:
            self.all_refused = True
            return False
        del self.reads[at]
        self.proofs = self._proofs()
        self._tell_hole(read.ask.table, hole_of(read.request, self._device))
        for index in read.request.points:
            self._absent[self._points[index].tag] = "the device has no such address"
        self.bad = dict(self._absent)
        return True

    def _look_for_gaps(self) -> None:
        """Two halves that are answered though the whole was not: the hole lies between them."""
        for halves in self._parted:
            if all(half in self.reads for half in halves):
                gap = gap_of([half.request for half in halves], self._device)
                self._tell_hole(halves[0].ask.table, gap or "")
        self._parted.clear()

    def _tell_hole(self, table: Table, addresses: str) -> None:
        if addresses:
            self.holes[table] = (*self.holes.get(table, ()), addresses)

    def _look_for_nonsense(self, values: Sequence[Value | None]) -> None:
        """A single that is not a number, or endless, is out of any range."""
        nonsense = {
            self._points[self.points[place]].tag: "its register does not hold a number"
            for place in self._singles
            if (value := values[place]) is not None and not math.isfinite(value)
        }
        if nonsense or self.bad != self._absent:
            self.bad = self._absent | nonsense

    def unfit(self, proof: Ask) -> None:
        """The device refuses a proving read: it is not asked again until the device was lost."""
        self._unfit.add((proof.function, proof.address, proof.quantity))
        self.proofs = tuple(each for each in self.proofs if each != proof)

    def _proofs(self) -> tuple[Ask, ...]:
        """The proving reads of what is read now."""
        requests = [read.request for read in self.reads]
        others = [form_of(ask.function, ask.quantity) for ask in self._others]
        found = proving_reads(requests, others, self._points, self._unfit)
        return tuple(_ask(self._name, request) for request in found)


def _ask(name: str, request: ReadRequest) -> Ask:
    return Ask(name, request.unit, request.function, request.address, request.quantity)
