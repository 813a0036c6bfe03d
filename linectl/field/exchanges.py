"""Exchanges of one bus: each failure is counted under its kind and settled where it happened.

On a link without numbers (a serial line, serial frames over TCP) a failure is followed by a quiet
time longer than the device's worst lateness; and unless the answer came in that time, the device
is in doubt: before anything else is asked of it, a proving read must be answered, whose answer can
be no late answer to any other. A device for which there is no such read is kept waiting instead.
A connection on which nobody answers any more is closed, to be opened anew; a dead link is the
whole bus's.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Sequence

from linectl.errors import DeviceRefused, ForeignAnswer, LinkDown, Silent, Unreachable
from linectl.field.asks import ANSWER_MAY_FOLLOW, Ask
from linectl.field.device import FieldDevice, error_kind
from linectl.field.measures import Histogram
from linectl.field.modbus import Wire
from linectl.registers.wire_time import UNPROVEN_QUIET

DEAD_MS = 750
"""A connection that has brought nothing for so long, though asked, is closed and opened anew."""
SILENT_MIN = 2
"""So many time-outs at least: one device that is slower than its time-out is no dead connection."""
DAMAGED_QUIET_MS = 5.0
"""After a damaged answer there is none to come: only its rest, if its length was damaged."""
BUSY = 6
BUSY_AGAIN_MS = 100
"""A write that a busy device has refused is repeated after this ("the client should retransmit
the message later": MODBUS Application Protocol V1.1b3, 7), not only when its refresh is due."""


class Exchanges:
    """For the bus's own thread. `errors` counts by kind since start; `write` measures from a scan
    to its outputs' being taken, ms."""

    def __init__(
        self,
        wire: Wire,
        devices: Sequence[FieldDevice],
        clock: Callable[[], int],
        meanwhile: Callable[[], None] = lambda: None,
    ) -> None:
        """meanwhile: called now and then while a line is kept quiet."""
        self.errors: Counter[str] = Counter()
        self.write = Histogram()
        self._wire = wire
        self._devices = devices
        self._by_name = {device.name: device for device in devices}
        self._clock = clock
        self._meanwhile = meanwhile
        self._asked_in_vain_ms: int | None = None
        """When the first of the requests went out that nobody has answered."""
        self._silent = 0
        self._doubted: set[str] = set()
        self._asked_before = False
        """True until the line was quiet for what was asked before it was opened."""
        self._proofs_asked = 0

    def do(self, device: FieldDevice, ask: Ask) -> Sequence[int] | None:
        """One exchange: the cells read (empty for a write); None after a failure, and without one
        once the link is down, which has been told."""
        if not ask.cells:
            found = self.try_read(device, ask)
            if isinstance(found, DeviceRefused):
                self.refused(device, ask, found)
                return None
            return found
        if not self._may_ask(device, ask):
            return None
        try:
            self._wire.write(ask)
        except LinkDown as error:
            self.link_failed(error)
        except Unreachable as error:
            self._failed(device, ask, error)
        else:
            self._went_well(device)
            device.outputs.done(ask)
            device.wrote(self._clock())
            return ()
        return None

    def tell(self, device: FieldDevice, ask: Ask) -> None:
        """A write to a device that is given up: its answers may be all that is lost. Whatever comes
        back is not believed, and the device stays in doubt."""
        try:
            self._wire.write(ask)
        except LinkDown as error:
            self.link_failed(error)
        except Unreachable as error:
            try:
                self._settle(device, ask, error)
            except LinkDown as down:
                self.link_failed(down)

    def try_read(self, device: FieldDevice, ask: Ask) -> Sequence[int] | DeviceRefused | None:
        """A read whose refusal is not a failure yet: the caller may ask for less."""
        if not self._may_ask(device, ask):
            return None
        try:
            cells = self._wire.read(ask)
        except DeviceRefused as error:
            if error.code not in ANSWER_MAY_FOLLOW:
                self._heard()
                self._wire.rest(device.pause_ms)
                return error
            self._failed(device, ask, error)
        except LinkDown as error:
            self.link_failed(error)
        except Unreachable as error:
            self._failed(device, ask, error)
        else:
            self._went_well(device)
            return cells
        return None

    def refused(self, device: FieldDevice, ask: Ask, error: DeviceRefused) -> None:
        """The refusal that `try_read` gave is a failure after all."""
        self._failed(device, ask, error)

    def link_failed(self, error: LinkDown) -> None:
        """The link is down for every device."""
        self._wire.close()
        self.errors[error_kind(error)] += 1
        now = self._clock()
        for device in self._devices:
            device.failed(error, now)
            device.check_age(now)

    def relinked(self) -> None:
        """The link is up again: what hangs on it may have been without power meanwhile, and what
        was asked before may still be answered."""
        self._heard()
        if not self._wire.numbered:
            self._doubted = set(self._by_name)
            self._asked_before = True
        now = self._clock()
        for device in self._devices:
            device.relink(now)

    def _may_ask(self, device: FieldDevice, ask: Ask) -> bool:
        """True if the link is up and the device is believed, after a proving read if need be."""
        if not self._wire.is_open:
            return False
        return device.name not in self._doubted or self._prove(device, ask)

    def _prove(self, device: FieldDevice, ask: Ask) -> bool:
        """The proving read; True once the device may be believed again."""
        proofs = device.reads.proofs
        try:
            if proofs:
                # In turn, so that a late answer to one is not taken for the other.
                self._proofs_asked += 1
                ask = proofs[self._proofs_asked % len(proofs)]
                self._wire.read(ask)
                self._went_well(device)
            elif self._asked_before:
                late_ms = max(each.late_ms for each in self._devices) * UNPROVEN_QUIET
                late_ms += self._wire.timeout_ms  # it may have been asked a moment ago
                self._wire.settle(ask, late_ms, outstanding=False)
                self._asked_before = False
        except LinkDown as error:
            self.link_failed(error)
            return False
        except Unreachable as error:
            if isinstance(error, DeviceRefused) and error.code not in ANSWER_MAY_FOLLOW:
                device.reads.unfit(ask)
            self._failed(device, ask, error)
            return False
        self._doubted.discard(device.name)
        return True

    def _went_well(self, device: FieldDevice) -> None:
        self._heard()
        device.answered(self._wire.latency_ms)
        self._wire.rest(device.pause_ms)
        self._note_late()

    def _heard(self) -> None:
        self._asked_in_vain_ms = None
        self._silent = 0

    def _failed(self, device: FieldDevice, ask: Ask, error: Unreachable) -> None:
        now = self._clock()
        if ask.cells:
            if isinstance(error, DeviceRefused):
                device.outputs.denied(ask)
                if error.code == BUSY:
                    device.refresh_at_ms = min(device.refresh_at_ms, now + BUSY_AGAIN_MS)
            else:
                device.outputs.failed(ask)
            device.not_written(now)
        self.errors[error_kind(error)] += 1
        device.failed(error, now)
        self._wire.rest(device.pause_ms)
        try:
            self._settle(device, ask, error)
        except LinkDown as down:
            self.link_failed(down)
            return
        self._note_late()
        self._note_silence(error)
        device.check_age(self._clock())

    def _settle(self, device: FieldDevice, ask: Ask, error: Unreachable) -> None:
        """After a failure on a link without numbers. What a device in doubt refuses may be the
        late answer to something else."""
        if self._wire.numbered:
            return
        plain = isinstance(error, DeviceRefused) and error.code not in ANSWER_MAY_FOLLOW
        if plain and device.name not in self._doubted:
            return
        late_ms = device.late_ms
        if not device.reads.proofs:
            late_ms *= UNPROVEN_QUIET
        elif isinstance(error, ForeignAnswer) and error.kind == "crc":
            late_ms = DAMAGED_QUIET_MS
        outstanding = isinstance(error, Silent | DeviceRefused)
        if not self._wire.settle(ask, late_ms, outstanding, self._wait):
            self._doubted.add(device.name)

    def _wait(self) -> None:
        """Nobody is asked for a while: ages go on."""
        now = self._clock()
        for device in self._devices:
            device.check_age(now)
        self._meanwhile()

    def _note_late(self) -> None:
        for late in self._wire.take_late():
            self.errors["late"] += 1
            if (device := self._by_name.get(late.device)) is not None:
                device.came_late(late.late_ms)

    def _note_silence(self, error: Unreachable) -> None:
        if not isinstance(error, Silent):
            self._heard()
            return
        if self._asked_in_vain_ms is None:
            self._asked_in_vain_ms = self._clock() - self._wire.timeout_ms
        self._silent += 1
        self.close_if_dead()

    def close_if_dead(self) -> None:
        """A connection whose other end is gone without a word brings nothing for anyone. Looked at
        by the clock and not only after an exchange: demoted devices are asked too seldom."""
        since_ms = self._asked_in_vain_ms
        if self._wire.serial or since_ms is None or self._silent < SILENT_MIN:
            return
        if self._clock() - since_ms >= DEAD_MS:
            self._wire.close()
