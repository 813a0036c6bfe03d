"""What a bus writes, in which order: safe-going before all, then changes, heartbeats, refreshes.

For the bus's own thread; only `publish` and `stop` are for the scan's. What a device is told
follows the scan's latest outputs, looked up between any two exchanges.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence

from linectl.field.asks import Ask
from linectl.field.device import FieldDevice
from linectl.field.exchanges import Exchanges
from linectl.field.modbus import Wire
from linectl.field.outputs import ON_GOING, SAFE_GOING
from linectl.field.snapshots import Outputs
from linectl.field.trouble import TroubleWatch

OUTPUTS_STALE_MS = 500
"""No scan published for this long: every output goes safe and every device counts as lost."""
CHANGES_BEFORE_READ = 8
"""Changes that do not go safe, written between two reads at most, so that reading goes on."""


class Writing:
    """The outputs of a bus's devices, on their way to them."""

    def __init__(
        self,
        wire: Wire,
        exchanges: Exchanges,
        devices: Sequence[FieldDevice],
        clock: Callable[[], int],
        trouble: TroubleWatch,
    ) -> None:
        self._wire = wire
        self._exchanges = exchanges
        self._devices = devices
        self._clock = clock
        self._trouble = trouble
        self._outputs: Outputs | None = None
        self._stopping = False
        self._stale = True
        self._said: dict[str, int] = {}
        """Of demoted devices: how many requests of their last word they have been told."""
        self._silent: set[str] = set()
        """Devices that did not answer in this poll."""

    def publish(self, outputs: Outputs) -> None:
        """The outputs of a scan."""
        self._outputs = outputs

    def stop(self) -> None:
        """From now on nothing is demanded but safe."""
        self._stopping = True

    def next_due(self) -> int | None:
        """When the next refresh, heartbeat or look at a claim is due, ms; None: never."""
        due = [device.refresh_at_ms for device in self._devices if self._may_ask(device)]
        due += [at for device in self._devices if (at := self._beat_at(device)) is not None]
        due += [at for device in self._devices if (at := self._claim_at(device)) is not None]
        return min(due, default=None)

    def watch(self) -> None:
        """Outputs too old, devices too silent."""
        now = self._clock()
        outputs = self._outputs
        # While stopping nothing the scan still publishes counts: the last word is safe.
        stale = self._stopping or outputs is None or now - outputs.at_ms > OUTPUTS_STALE_MS
        if stale and not self._stale:
            for device in self._devices:
                device.lose(now, "scan_stopped")
        self._stale = stale
        for device in self._devices:
            device.check_age(now)
            device.outputs.demand(None if stale or outputs is None else outputs.values)

    def _writable(self, device: FieldDevice) -> bool:
        return not device.outputs.empty and not device.demoted and device.claimed

    def pending(self) -> None:
        """All that goes safe; some of the other changes; one refresh. A device that does not take
        its write is passed over until the next time, so that it keeps none of the others waiting.
        """
        others = CHANGES_BEFORE_READ
        passed_over: set[str] = set()
        while self._wire.is_open and others:
            self.safe_going(passed_over)
            found = self._next(ON_GOING, passed_over)
            if found is None:
                break
            others -= 1
            self._write(found, passed_over)
        now = self._clock()
        for device in self._devices:
            if (at := self._beat_at(device)) is not None and now >= at:
                self._beat(device)
                self.safe_going(passed_over)
        for device in self._devices:
            if (at := self._claim_at(device)) is not None and now >= at:
                self._look_at_claim(device)
                self.safe_going(passed_over)
        for device in self._devices:
            if now >= device.refresh_at_ms and self._may_ask(device):
                if self.refresh(device) and device.reads_back:
                    self._read_back(device)
                return

    def begin_poll(self) -> None:
        """Once a poll: silent devices may be tried again, and one of those that were given up is
        told the next part of its last word."""
        self._silent.clear()
        for device in self._devices:
            if self._part_from(device):
                return

    def failed(self, device: FieldDevice) -> None:
        """An exchange with the device has failed just now. One that says nothing costs the others
        a time-out, and the quiet time after it, once a poll; a disturbed one is tried again."""
        if device.silent:
            self._silent.add(device.name)

    def was_silent(self, device: FieldDevice) -> bool:
        """True if the device did not answer in this poll: it is not asked again before the next."""
        return device.name in self._silent

    def _part_from(self, device: FieldDevice) -> bool:
        """A device that is demoted is written to no more, so that its watchdog acts; but first it
        is told to be safe, for it may hear us all the same. True if it was told something now."""
        if not device.demoted:
            self._said.pop(device.name, None)
            return False
        said, asks = self._said.get(device.name, 0), device.outputs.refresh()
        if said >= len(asks) or not self._wire.is_open or not device.may_be_told_safe:
            return False
        self._said[device.name] = said + 1
        self.safe_going(set())
        self._exchanges.tell(device, device.outputs.refresh()[said])
        return True

    def _last_word(self, device: FieldDevice) -> None:
        for ask in device.outputs.refresh():
            if self._wire.is_open:
                self._exchanges.tell(device, ask)

    def _beat_at(self, device: FieldDevice) -> int | None:
        """When the device's heartbeat is due: never while the scan stands still."""
        asleep = self._stale or device.demoted or device.name in self._silent
        return None if asleep or not device.claimed else device.heartbeat_at_ms

    def _claim_at(self, device: FieldDevice) -> int | None:
        """When the device's claim is to be looked at; not of one that does not answer."""
        asleep = device.claim is None or device.demoted or device.name in self._silent
        return None if asleep or device.claim is None else device.claim.due_ms

    def _look_at_claim(self, device: FieldDevice) -> None:
        """Read, then written anew if it is ours, or may become so."""
        claim = device.claim
        if claim is None or not self._wire.is_open:
            return
        claim.asked(self._clock())
        cells = self._exchanges.do(device, claim.read)
        if cells is None:
            self.failed(device)
            return
        ask = device.look_at_claim(cells, self._clock())
        if ask is not None and self._exchanges.do(device, ask) is None:
            self.failed(device)

    def _beat(self, device: FieldDevice) -> None:
        device.beaten(self._clock())
        ask = device.heartbeat()
        if ask is not None and self._wire.is_open and self._exchanges.do(device, ask) is None:
            self.failed(device)

    def _read_back(self, device: FieldDevice) -> None:
        """Compare what the device says that its outputs are with what it was told."""
        differences: list[str] = []
        for ask in device.outputs.read_backs():
            self.safe_going(set())
            cells = self._exchanges.do(device, ask)
            if cells is None:
                self.failed(device)
                return
            differences += device.outputs.compare(ask, cells)
        device.compared(differences, self._clock())
        self._trouble.differs(device.name, differences)

    def safe_going(self, passed_over: set[str]) -> None:
        """Take the scan's latest outputs and write everything that goes safe."""
        self.watch()
        while self._wire.is_open and (found := self._next(SAFE_GOING, passed_over)):
            self._write(found, passed_over)
            self.watch()

    def _write(self, found: tuple[FieldDevice, Ask], passed_over: set[str]) -> None:
        device, ask = found
        if self._exchanges.do(device, ask) is None:
            passed_over.add(device.name)
            self.failed(device)
        elif self._outputs is not None:
            self._exchanges.write.add(self._clock() - self._outputs.at_ms)

    def _may_ask(self, device: FieldDevice) -> bool:
        return self._writable(device) and device.name not in self._silent

    def _next(self, worst_pass: int, passed_over: set[str]) -> tuple[FieldDevice, Ask] | None:
        for device in self._devices:
            if self._may_ask(device) and device.name not in passed_over:
                ask = device.outputs.next_change(worst_pass)
                if ask is not None:
                    return device, ask
        return None

    def refresh(self, device: FieldDevice) -> bool:
        """Tell the device everything again; True if it took all of it. What it refuses keeps the
        rest from it no longer than its answer takes; a device that fails otherwise is left."""
        device.refresh_at_ms = self._clock() + device.refresh_ms
        passed_over: set[str] = set()
        taken = True
        for number in range(len(device.outputs.refresh())):
            if number:
                self.safe_going(passed_over)
            asks = device.outputs.refresh()  # anew: what goes safe beats any refresh
            if self._exchanges.do(device, asks[number]) is None:
                self.failed(device)
                if not device.refusing or device.demoted:
                    return False
                taken = False
        return taken

    def last_act(self) -> None:
        """Last act: every device safe; one disturbed exchange with a good device is repeated, and
        no time is lost on a line that babbles. Those that do not answer come last, for they may
        hear us all the same."""
        self._wire.overtime_s = 0.0
        for device in sorted(self._devices, key=lambda device: device.demoted):
            device.outputs.demand(None)
            if not device.may_be_told_safe:
                continue
            if self._told_safe(device) or (device.may_repeat and self._told_safe(device)):
                if device.claim is not None:
                    self._exchanges.do(device, device.claim.release())
                continue
            if not self._wire.numbered:  # in doubt: nothing but a proof was asked of it
                self._last_word(device)

    def _told_safe(self, device: FieldDevice) -> bool:
        return self._wire.is_open and not device.outputs.empty and self.refresh(device)
