"""A bus and its one owner thread: polls, writes, reconnects; publishes one snapshot per device.

Order of work, between any two exchanges: what goes safe is written before all else, then the
other changes, then one refresh that is due, then the next read of the poll. Polls keep absolute
deadlines; one that is missed is counted and skipped.
"""

from __future__ import annotations

import contextlib
import threading
from collections.abc import Callable
from pathlib import Path
from random import Random

from linectl.errors import DeviceRefused, LinkDown
from linectl.field.device import Backoff, FieldDevice
from linectl.field.device_claim import claim_of
from linectl.field.exchanges import Exchanges
from linectl.field.kept_frames import Sink
from linectl.field.measures import Histogram
from linectl.field.modbus import Wire
from linectl.field.snapshots import BusHealth, Outputs
from linectl.field.tracing import Ring
from linectl.field.trouble import TroubleWatch
from linectl.field.writing import Writing
from linectl.registers.plan import read_plan
from linectl.site.hardware import Bus
from linectl.site.model import Site

Clock = Callable[[], int]

FIRST_RECONNECT_MS = 100
LAST_RECONNECT_MS = 3000
"""With jitter, and a second for the connection itself, back within 5 s of the device's return."""
STEADY_MS = 3000
"""A connection that has served for so long is a good one: the next pause is the shortest again.
Sooner, a peer that answers a little and hangs up would be called ten times a second for ever."""
TELL_MS = 200
"""Health is at most about this old."""
LONGEST_WAIT_S = 0.05
"""A waiting bus looks at its watchdogs at least this often."""


class FieldBus:
    """Owns the wire of one bus. `start`, `publish`, `stop` are for the scan's thread."""

    def __init__(
        self,
        site: Site,
        name: str,
        host: str,
        port: int | str,
        clock: Clock,
        seed: int = 0,
        tracer: Sink | None = None,
        ring: Ring | None = None,
    ) -> None:
        self.name = name
        self._bus: Bus = site.file.buses[name]
        self._clock = clock
        random = Random(f"{seed} {name}")
        plan = read_plan(site, name)  # of the whole bus: slow reads take turns over all devices
        devices = [
            FieldDevice(
                device_name,
                device,
                self._bus,
                site.points,
                random,
                tuple(request for request in plan if request.device == device_name),
                claim_of(device_name, device, host),
            )
            for device_name, device in site.file.devices.items()
            if device.bus == name
        ]
        urgent = interlock_inputs(site)
        devices.sort(key=lambda device: urgent.isdisjoint(device.reads.points))
        self.devices = tuple(devices)
        """Those with inputs that interlocks stand on are read first."""
        self._wire = Wire(name, self._bus, host, port, Path(site.folder), tracer)
        self._trouble = TroubleWatch(ring, self._wire, self.devices)
        self._wake = threading.Event()
        self._stopping = False
        self._thread = threading.Thread(target=self._run, name=f"bus {name}", daemon=True)
        self._backoff = Backoff(random, FIRST_RECONNECT_MS, LAST_RECONNECT_MS)
        self._exchanges = Exchanges(self._wire, self.devices, clock, self._tell)
        self._writing = Writing(self._wire, self._exchanges, self.devices, clock, self._trouble)
        self._cycle_ms = 0.0
        self._cycle = Histogram()
        self._busy = Histogram()
        self._up: bool | None = None
        self._remarks: tuple[str, ...] = ()
        self._since_ms = self._told_ms = 0
        self._polls = 0
        self._late = 0
        self.failure: Exception | None = None
        """What ended the thread, if it was not `stop`: a defect of the program."""
        self.health = BusHealth(name, self._bus.kind, False, 0.0, 0, 0, {}, ())
        self._publish_health(False)

    def start(self) -> None:
        self._thread.start()

    def publish(self, outputs: Outputs, changed: bool) -> None:
        """The outputs of a scan; `changed` wakes the bus if it waits for its next poll."""
        self._writing.publish(outputs)
        if changed:
            self._wake.set()

    def stop(self) -> None:
        """Ask the thread to write safe values, close and end."""
        self._stopping = True
        self._writing.stop()
        self._wake.set()

    def join(self, limit_s: float) -> bool:
        """Wait for the thread's end; True when it has closed its wire."""
        if self._thread.ident is not None:
            self._thread.join(limit_s)
        return not self._thread.is_alive()

    def frames(self) -> list[str]:
        """The last frames on the wire, oldest first, for a person."""
        return [
            f"{frame.at_s:.4f} {'→' if frame.sent else '←'} {frame.data.hex(' ')}"
            for frame in list(self._wire.frames)
        ]

    # The owner thread from here on.

    def _run(self) -> None:
        try:
            while not self._stopping:
                if self._open():
                    self._serve()
                    self._unlinked()
                if not self._stopping:
                    self._pause(self._clock() + self._backoff.pause_ms())
            self._writing.last_act()
        except Exception as error:  # noqa: BLE001  the scan's thread looks at it and reports it
            self.failure = error
            self._stopping = True
            self._writing.stop()
            with contextlib.suppress(Exception):  # whatever the defect was: no output stays on
                self._writing.last_act()
        finally:
            self._wire.close()
            now = self._clock()
            for device in self.devices:
                device.lose(now)
            self._publish_health(False)

    def _open(self) -> bool:
        try:
            self._wire.open()
        except LinkDown as error:
            self._exchanges.link_failed(error)
            self._publish_health(False)
            return False
        self._exchanges.relinked()
        self._remarks = self._wire.remarks()
        return True

    def _unlinked(self) -> None:
        """The link is gone. Whoever hangs on it is lost now, not when its age says so: making a
        connection may take longer, and after it everything begins anew in any case."""
        if self._wire.is_open:
            return  # stopping: the last word is still to be said
        now = self._clock()
        for device in self.devices:
            device.lose(now)
        self._publish_health(False)

    def _serve(self) -> None:
        """Poll until the link breaks or `stop` is called.

        A link's first poll, with its proofs and all that is written anew, is no measure of a poll.
        """
        deadline = opened = self._clock()
        last_start: int | None = None
        first = True
        while not self._stopping and self._wire.is_open:
            start = self._clock()
            if start - opened >= STEADY_MS:
                self._backoff.reset()
            if last_start is not None:
                self._cycle_ms = float(start - last_start)
                self._cycle.add(self._cycle_ms)
            last_start = None if first else start
            self._writing.begin_poll()
            for device in self.devices:
                self._poll(device)
                if self._stopping or not self._wire.is_open:
                    break
            self._polls += 1
            if not first:
                self._busy.add(self._clock() - start)
            first = False
            self._publish_health(self._wire.is_open)
            deadline += self._bus.poll_ms
            behind = self._clock() - deadline
            if behind > 0:
                missed = behind // self._bus.poll_ms
                self._late += missed
                deadline += missed * self._bus.poll_ms
            self._idle(deadline)

    def _poll(self, device: FieldDevice) -> None:
        if not device.due(self._clock()):
            self._writing.pending()
            return
        self._writing.pending()
        if self._writing.was_silent(device):
            return
        device.begin(self._clock())
        if not device.reads.points:
            self._poll_mute(device)
            return
        due = device.reads.due(self._polls)
        while due:
            read = due.pop(0)
            found = self._exchanges.try_read(device, read.ask)
            if found is None and self._may_repeat(device):
                found = self._exchanges.try_read(device, read.ask)
            if found is None:
                self._writing.failed(device)
            if isinstance(found, DeviceRefused):
                if not device.refused(read, found):
                    self._exchanges.refused(device, read.ask, found)
                    return
                due = device.reads.owed()
            elif found is None:
                return
            else:
                read.take(found)
            if due:
                self._writing.pending()
        device.finish()

    def _may_repeat(self, device: FieldDevice) -> bool:
        """True if a disturbed read is asked again; what goes safe does not wait for that. One that
        got no answer at all is not: that would cost the others another time-out."""
        if device.may_repeat and not device.silent:
            self._writing.safe_going(set())
        return device.may_repeat and not device.silent and self._wire.is_open

    def _poll_mute(self, device: FieldDevice) -> None:
        """A device with outputs only: its answers to writes are its signs of life."""
        if not device.snapshot.good and device.claimed and self._writing.refresh(device):
            device.finish()

    def _idle(self, deadline: int) -> None:
        """Until the next poll: write what changes, refresh what is due."""
        while not self._stopping and self._wire.is_open:
            self._writing.pending()
            now = self._clock()
            if now >= deadline:
                return
            due = self._writing.next_due()
            self._wait(deadline if due is None else min(deadline, due))

    def _pause(self, until_ms: int) -> None:
        while not self._stopping and self._clock() < until_ms:
            self._wait(until_ms)

    def _wait(self, until_ms: int) -> None:
        """Sleep until then, until woken, or for a moment: watchdogs are looked at after it."""
        seconds = min(max(until_ms - self._clock(), 0) / 1000, LONGEST_WAIT_S)
        if seconds and not self._stopping:
            self._wake.wait(seconds)
        self._wake.clear()
        self._writing.watch()
        self._exchanges.close_if_dead()

    def _tell(self) -> None:
        """Health while no poll ends, as on a line that babbles; not at every look."""
        if self._clock() - self._told_ms >= TELL_MS:
            self._publish_health(self._wire.is_open)

    def _publish_health(self, up: bool) -> None:
        if not self._stopping:  # a wire that is closed on purpose is no trouble
            self._trouble.look(up)
        if up is not self._up:
            self._up = up
            self._since_ms = self._clock()
        self._told_ms = self._clock()
        self.health = BusHealth(
            self.name,
            self._bus.kind,
            up,
            self._cycle_ms,
            self._polls,
            self._late,
            dict(self._exchanges.errors + self._wire.seen),
            tuple(device.health() for device in self.devices),
            self._since_ms,
            self._cycle.spread(),
            self._busy.spread(),
            self._exchanges.write.spread(),
            self._wire.echoes,
            self._remarks,
        )


def interlock_inputs(site: Site) -> frozenset[int]:
    """Image indices of the points that the site's causes stand on."""
    tags = site.tags
    return frozenset(
        tags[condition.point]
        for cause in site.interlocks.causes.values()
        for condition in cause.when
    )
