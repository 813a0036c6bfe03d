"""One device on a bus: its poll, its snapshot, its errors; when it counts as lost and is demoted.

A device is lost when nothing good came for its `silent_after`, or when the scan has stopped.
After `DEMOTED_AFTER` failures in a row it is demoted: asked only at growing intervals, so that
its time-outs do not stall the others. Any good whole poll brings it back.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from random import Random

from linectl.errors import DeviceRefused, ForeignAnswer, LinkDown, Silent, Unreachable
from linectl.field.advice import sentence
from linectl.field.asks import Ask
from linectl.field.device_claim import DeviceClaim
from linectl.field.measures import Histogram, Lateness
from linectl.field.outputs import DeviceOutputs
from linectl.field.reads import Read, Reads
from linectl.field.snapshots import DeviceHealth, Quality, Snapshot
from linectl.image import Remark
from linectl.registers.frames import WRITE_REGISTER, WRITE_REGISTERS
from linectl.registers.requests import ReadRequest
from linectl.site.hardware import Bus, Device, Point
from linectl.site.notation import protocol_address

DEMOTED_AFTER = 3
"""Failures in a row; fewer would demote for one disturbed frame."""
FIRST_PROBE_MS = 250
LAST_PROBE_MS = 3500
"""With a fifth of jitter and the time-out the longest pause stays below 5 s."""
JITTER = 0.2
WRONG_ADDRESS = 2


def error_kind(error: Unreachable) -> str:
    """The name under which an error is counted: link_down, silent, crc, stale, refused_2, …"""
    if isinstance(error, DeviceRefused):
        return f"refused_{error.code}"
    if isinstance(error, ForeignAnswer):
        return error.kind
    return {LinkDown: "link_down", Silent: "silent"}.get(type(error), "unreachable")


def quality_of(error: Unreachable) -> Quality:
    """Why a device is bad after `error`."""
    kinds = {LinkDown: "link_down", Silent: "silent", DeviceRefused: "refused"}
    return kinds.get(type(error), "garbled")


class Backoff:
    """Growing pauses with jitter: first, twice that, … at most `last_ms`."""

    def __init__(self, random: Random, first_ms: int, last_ms: int) -> None:
        self._random = random
        self._first_ms = first_ms
        self._last_ms = last_ms
        self._next_ms = first_ms

    def reset(self) -> None:
        self._next_ms = self._first_ms

    def pause_ms(self) -> int:
        """The next pause; each call doubles the following one."""
        pause = self._next_ms * self._random.uniform(1 - JITTER, 1 + JITTER)
        self._next_ms = min(2 * self._next_ms, self._last_ms)
        return round(pause)


class FieldDevice:
    """A device as its bus's thread sees it. Other threads read `snapshot` and `health` only."""

    def __init__(
        self,
        name: str,
        device: Device,
        bus: Bus,
        points: Sequence[Point],
        random: Random,
        plan: Sequence[ReadRequest] | None = None,
        claim: DeviceClaim | None = None,
    ) -> None:
        """`plan`: its reads in its bus's plan; None: it is alone on its bus. `claim`: it must be
        ours before anything else is written."""
        self.name = name
        self.unit = device.unit
        self.refresh_ms = device.refresh_ms
        self.pause_ms = device.pause_ms
        self.late_ms = float(device.late_ms or bus.timeout_ms)
        self.reads_back = device.read_back
        self.outputs = DeviceOutputs(name, device, points)
        self.claim = claim
        others = [*self.outputs.read_backs()] if device.read_back else []
        others += [claim.read] if claim is not None else []
        self.reads = Reads(name, device, bus, points, plan, others)
        self.lateness = Lateness(bus.timeout_ms)
        self.snapshot = Snapshot(name, 0, 0, self.reads.points, (), False, 0)
        self.refresh_at_ms = 0
        self.heartbeat_at_ms: int | None = 0 if device.heartbeat else None
        self._device = device
        self._bus = bus
        self._silent_after_ms = device.silent_after_ms
        self._backoff = Backoff(random, FIRST_PROBE_MS, LAST_PROBE_MS)
        self._failures = 0
        self._probe_at_ms = 0
        self._errors: Counter[str] = Counter()
        self._last = self._check = ""
        self._quality: Quality = "starting"
        self._failing: Quality = "starting"
        self._since_ms = 0
        self._demoted = False
        self._began_ms = 0
        self._heard_ms = 0
        self._untaken_since_ms: int | None = None
        self._not_taken = ""
        self._latency = Histogram()
        self._age = Histogram()
        self._beats = 0
        self._remarked = ("", "", "", "")

    @property
    def demoted(self) -> bool:
        return self._demoted

    @property
    def may_repeat(self) -> bool:
        """True after the first failure in a row of a good device: one disturbed exchange."""
        return self.snapshot.good and self._failures == 1

    @property
    def refusing(self) -> bool:
        """True if its last failure was a refusal: it is there, and may take something else."""
        return self._failing == "refused"

    @property
    def silent(self) -> bool:
        """True if its last exchange ended with a time-out."""
        return self._failures > 0 and self._failing == "silent"

    @property
    def claimed(self) -> bool:
        """True if we may write to it."""
        return self.claim is None or self.claim.ours

    @property
    def may_be_told_safe(self) -> bool:
        """True unless it is, or may be, another controller's: then a last word is not ours."""
        return self.claim is None or self.claim.was_ours

    def look_at_claim(self, cells: Sequence[int], now_ms: int) -> Ask | None:
        """What stands in its claim: what to write there now. Good is only what is ours."""
        claim = self.claim
        if claim is None:
            return None
        wanted = claim.found(tuple(cells), now_ms)
        if not claim.ours:
            self._failing = "claimed"
            self.lose(now_ms)
        if claim.trouble:
            self._last = claim.trouble
            self._check = sentence("claimed", self._bus)
        remarks = self._remarks()
        if remarks is not self.snapshot.remarks:
            self.snapshot = self.snapshot._replace(remarks=remarks)
        return None if wanted is None else claim.writing(wanted)

    def due(self, now_ms: int) -> bool:
        """True if the device may be asked now: it is not demoted, or its probe is due."""
        return not self._demoted or now_ms >= self._probe_at_ms

    def begin(self, now_ms: int) -> None:
        """A poll of this device begins."""
        self._began_ms = now_ms

    def finish(self) -> None:
        """Every request of the poll was answered: publish, and come back if it was lost.

        A device that answers but has not taken its outputs for `silent_after` stays lost.
        """
        old = self.snapshot
        self._heard(self._began_ms)
        if self.reads.all_refused:
            self.reads.begin_anew()
        if self._untaken(self._began_ms) or not self.reads.whole or not self.claimed:
            return
        if old.good:
            self._age.add(self._began_ms - old.at_ms)
        else:
            self.outputs.forget()
            self._since_ms = self._began_ms
            self._quality = "good"
        if self._untaken_since_ms is None:
            self._failing = "silent"  # what it will be if it is lost without a word
        self.snapshot = old._replace(
            sequence=old.sequence + 1,
            at_ms=self._began_ms,
            values=self.reads.values(),
            good=True,
            remarks=self._remarks(),
        )

    def answered(self, latency_ms: float) -> None:
        """An exchange went well; its latency, ms."""
        self._latency.add(latency_ms)
        self.lateness.answered(latency_ms)

    def came_late(self, beyond_ms: float) -> None:
        """An answer came after its time-out."""
        self._errors["late"] += 1
        self.lateness.came_late(beyond_ms)

    def wrote(self, now_ms: int) -> None:
        """The device has taken a write; while it refuses another, it does not do as told. Nor does
        one that was found out by reading back, until reading back says otherwise."""
        if self.outputs.all_told and not self._not_taken:
            self._untaken_since_ms = None
        if not self.reads.points:
            self._heard(now_ms)
            if self.snapshot.good:
                self.snapshot = self.snapshot._replace(at_ms=now_ms)

    def not_written(self, now_ms: int) -> None:
        """The device has not taken a write."""
        if self._untaken_since_ms is None:
            self._untaken_since_ms = now_ms

    def compared(self, differences: Sequence[str], now_ms: int) -> None:
        """Its outputs were read back; what differs from what it was told, in words."""
        self._not_taken = "; ".join(differences)
        if differences:
            self._errors["not_taken"] += 1
            self._last = f"{self.name}: {self._not_taken}"
            self._check = sentence("not_taken", self._bus)
            self._failing = "not_taken"
            self.not_written(now_ms)
        elif self.outputs.all_told:
            self._untaken_since_ms = None

    def refused(self, read: Read, error: DeviceRefused) -> bool:
        """True if the refused read was split or left out: the others can go on."""
        if error.code != WRONG_ADDRESS or not self.reads.refused(read):
            return False
        self._note(error)
        return True

    def heartbeat(self) -> Ask | None:
        """The next write to its watchdog's register, if it has one: never the same value twice."""
        beat = self._device.heartbeat
        if beat is None:
            return None
        self._beats = (self._beats + 1) & 0x7FFF
        address = protocol_address("holding", beat.address, self._device.notation)
        single = self._device.write != "multiple"
        function = WRITE_REGISTER if single else WRITE_REGISTERS
        return Ask(self.name, self.unit, function, address, 1, (self._beats,))

    def beaten(self, now_ms: int) -> None:
        """The heartbeat was sent: when the next one is due."""
        if self._device.heartbeat is not None:
            self.heartbeat_at_ms = now_ms + self._device.heartbeat.every_ms

    def failed(self, error: Unreachable, now_ms: int) -> None:
        """An exchange failed. A dead link is the bus's matter and does not demote."""
        self._note(error)
        self._failing = quality_of(error)
        if isinstance(error, LinkDown):
            return
        self._failures += 1
        if self._failures >= DEMOTED_AFTER:
            self._demoted = True
            self._probe_at_ms = now_ms + self._backoff.pause_ms()
            self.lose(now_ms)

    def relink(self, now_ms: int) -> None:
        """The link is up again: ask at once; until it has answered, what it holds is unknown."""
        self.lose(now_ms)
        if self.claim is not None:
            self.claim.lost()
        self._demoted = False
        self._failures = 0
        self._backoff.reset()

    def check_age(self, now_ms: int) -> None:
        """Lost if nothing good came, or no write was taken, for `silent_after`."""
        if self._untaken(now_ms) or now_ms - self._heard_ms > self._silent_after_ms:
            self.lose(now_ms)

    def lose(self, now_ms: int, quality: Quality = "") -> None:
        """Bad quality from now on; what the device holds is unknown."""
        old = self.snapshot
        if self.claim is not None and self.claim.ours:
            self.claim.lost()
        if old.good:
            self.snapshot = old._replace(
                sequence=old.sequence + 1, good=False, lost=old.lost + 1, remarks=self._remarks()
            )
            self._since_ms = now_ms
            self.outputs.forget()
            self.reads.begin_anew()
        self._quality = quality or self._failing

    def health(self) -> DeviceHealth:
        return DeviceHealth(
            self.name,
            self.snapshot.good,
            self._demoted,
            self._since_ms,
            dict(self._errors),
            self.outputs.refused or self._last,
            self._quality,
            self.snapshot.at_ms if self.snapshot.sequence else None,
            self._latency.spread(),
            self._age.spread(),
            dict(self.reads.bad),
            {str(table): ranges for table, ranges in self.reads.holes.items()},
            self._check,
        )

    def _note(self, error: Unreachable) -> None:
        """Count what happened, and remember it with what to check next; a lost link's own words
        say that."""
        kind = error_kind(error)
        self._errors[kind] += 1
        self._last = str(error)
        self._check = "" if isinstance(error, LinkDown) else sentence(kind, self._bus)

    def _remarks(self) -> tuple[Remark, ...]:
        """The same tuple while nothing of it changes, so that a reader sees that at a glance."""
        refused = ", ".join(self.outputs.refused_tags)
        rising = "answers come late" if self.lateness.rising else ""
        claimed = self.claim.trouble if self.claim is not None else ""
        if (self._not_taken, refused, rising, claimed) == self._remarked:
            return self.snapshot.remarks
        self._remarked = (self._not_taken, refused, rising, claimed)
        remarks = []
        if self._not_taken:
            text = f"{self.name} answers, but does not do as told: {self._not_taken}"
            do = sentence("not_taken", self._bus)
            remarks.append(Remark(f"{self.name}.not_taken", "high", text, do))
        if refused:
            text = f"{self.name} refuses what it is told for {refused}"
            do = sentence("refused_3", self._bus)
            remarks.append(Remark(f"{self.name}.refused", "high", text, do))
        if rising:
            text = f"{self.name} answers later and later: {self.lateness.rising}"
            do = sentence("late", self._bus)
            remarks.append(Remark(f"{self.name}.late", "low", text, do))
        if claimed:
            do = sentence("claimed", self._bus)
            remarks.append(Remark(f"{self.name}.claimed", "high", claimed, do))
        return tuple(remarks)

    def _untaken(self, now_ms: int) -> bool:
        since = self._untaken_since_ms
        return since is not None and now_ms - since > self._silent_after_ms

    def _heard(self, now_ms: int) -> None:
        self._heard_ms = now_ms
        self._failures = 0
        self._demoted = False
        self._backoff.reset()
