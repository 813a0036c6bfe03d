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
from linectl.field.modbus import Ask
from linectl.field.outputs import DeviceOutputs
from linectl.field.snapshots import DeviceHealth, Snapshot
from linectl.image import Value
from linectl.registers.codec import Decoder, decoder
from linectl.registers.plan import plan_reads
from linectl.site.hardware import Bus, Device, Point

DEMOTED_AFTER = 3
"""Failures in a row; fewer would demote for one disturbed frame."""
FIRST_PROBE_MS = 250
LAST_PROBE_MS = 4000
"""With a fifth of jitter the longest pause stays below 5 s."""
JITTER = 0.2


def error_kind(error: Unreachable) -> str:
    """The name under which an error is counted: link_down, silent, foreign, refused_2."""
    if isinstance(error, DeviceRefused):
        return f"refused_{error.code}"
    kinds = {LinkDown: "link_down", Silent: "silent", ForeignAnswer: "foreign"}
    return kinds.get(type(error), "unreachable")


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
        self, name: str, device: Device, bus: Bus, points: Sequence[Point], random: Random
    ) -> None:
        self.name = name
        self.unit = device.unit
        self.refresh_ms = device.refresh_ms
        self.outputs = DeviceOutputs(name, device, points)
        requests = plan_reads(name, device, bus, points)
        self.asks = tuple(
            Ask(name, device.unit, request.function, request.address, request.quantity)
            for request in requests
        )
        self._decoders: tuple[tuple[Decoder, ...], ...] = tuple(
            tuple(
                decoder(points[index], points[index].address - request.address)
                for index in request.points
            )
            for request in requests
        )
        indices = tuple(index for request in requests for index in request.points)
        self.snapshot = Snapshot(name, 0, 0, indices, (), False, 0)
        self.refresh_at_ms = 0
        self._silent_after_ms = device.silent_after_ms
        self._backoff = Backoff(random, FIRST_PROBE_MS, LAST_PROBE_MS)
        self._failures = 0
        self._probe_at_ms = 0
        self._errors: Counter[str] = Counter()
        self._last = ""
        self._since_ms = 0
        self._demoted = False
        self._values: list[Value] = []
        self._began_ms = 0
        self._heard_ms = 0
        self._untaken_since_ms: int | None = None

    @property
    def demoted(self) -> bool:
        return self._demoted

    @property
    def may_repeat(self) -> bool:
        """True after the first failure in a row of a good device: one disturbed exchange."""
        return self.snapshot.good and self._failures == 1

    def due(self, now_ms: int) -> bool:
        """True if the device may be asked now: it is not demoted, or its probe is due."""
        return not self._demoted or now_ms >= self._probe_at_ms

    def begin(self, now_ms: int) -> None:
        """A poll of this device begins."""
        self._values = []
        self._began_ms = now_ms

    def take(self, number: int, cells: Sequence[int]) -> None:
        """The answer to request `number` of the poll."""
        self._values += [decode(cells) for decode in self._decoders[number]]

    def finish(self) -> None:
        """Every request of the poll was answered: publish, and come back if it was lost.

        A device that answers but has not taken its outputs for `silent_after` stays lost.
        """
        old = self.snapshot
        self._heard(self._began_ms)
        if self._untaken(self._began_ms):
            return
        if not old.good:
            self.outputs.forget()
            self._since_ms = self._began_ms
        self.snapshot = old._replace(
            sequence=old.sequence + 1,
            at_ms=self._began_ms,
            values=tuple(self._values),
            good=True,
        )

    def wrote(self, now_ms: int) -> None:
        """The device has taken a write."""
        self._untaken_since_ms = None
        if not self.asks:
            self._heard(now_ms)

    def not_written(self, now_ms: int) -> None:
        """The device has not taken a write."""
        if self._untaken_since_ms is None:
            self._untaken_since_ms = now_ms

    def failed(self, error: Unreachable, now_ms: int) -> None:
        """An exchange failed. A dead link is the bus's matter and does not demote."""
        self._errors[error_kind(error)] += 1
        self._last = str(error)
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
        self._demoted = False
        self._failures = 0
        self._backoff.reset()

    def check_age(self, now_ms: int) -> None:
        """Lose the device when its last good poll, or write, is older than the site allows."""
        silent = now_ms - self._heard_ms > self._silent_after_ms
        if self.snapshot.good and (silent or self._untaken(now_ms)):
            self.lose(now_ms)

    def lose(self, now_ms: int) -> None:
        """Bad quality from now on; what the device holds is unknown."""
        old = self.snapshot
        if old.good:
            self.snapshot = old._replace(sequence=old.sequence + 1, good=False, lost=old.lost + 1)
            self._since_ms = now_ms
            self.outputs.forget()

    def health(self) -> DeviceHealth:
        return DeviceHealth(
            self.name,
            self.snapshot.good,
            self._demoted,
            self._since_ms,
            dict(self._errors),
            self.outputs.refused or self._last,
        )

    def _untaken(self, now_ms: int) -> bool:
        since = self._untaken_since_ms
        return since is not None and now_ms - since > self._silent_after_ms

    def _heard(self, now_ms: int) -> None:
        self._heard_ms = now_ms
        self._failures = 0
        self._demoted = False
        self._backoff.reset()
