"""From the devices' snapshots to a frame: changed values, and quality by age and by loss.

A device's points are good while its snapshot is good and younger than the device's limit. A
device that was lost and came back between two scans is bad for one scan, so that the line lets go
of what it demanded. A single that is not a number, or an address that the device has not, makes
its own point bad. Counters are told only when asked for, from a poll that began after the asking.
"""

from __future__ import annotations

import math
from collections.abc import Collection, Sequence

from linectl.field.snapshots import Snapshot
from linectl.image import Frame, Remark, Value
from linectl.site.model import Site
from linectl.site.roles import STATION_ROLES

COUNTERS = frozenset(
    role.name for roles in STATION_ROLES.values() for role in roles if role.kind == "counter"
)


class Intake:
    """Remembers what the line was told; `take` gives what is new."""

    def __init__(self, site: Site) -> None:
        self._counter = [point.tag.rpartition(".")[2] in COUNTERS for point in site.points]
        self._told: list[Value | None] = [None] * len(site.points)
        self._good = [False] * len(site.points)
        self._silent_after = {
            name: device.silent_after_ms for name, device in site.file.devices.items()
        }
        self._sequence = dict.fromkeys(site.file.devices, -1)
        self._lost = dict.fromkeys(site.file.devices, 0)
        self._device_good = dict.fromkeys(site.file.devices, False)
        self._asked: dict[int, int] = {}
        self.counted: dict[int, Value] = {}
        """Counters by point, as they were read last; for who looks on, not for the line."""
        self._remarks: dict[str, tuple[Remark, ...]] = dict.fromkeys(site.file.devices, ())

    @property
    def all_good(self) -> bool:
        """True if every device was good in the last frame."""
        return all(self._device_good.values())

    def take(self, snapshots: Sequence[Snapshot], now: int, asks: Collection[int]) -> Frame:
        """The frame for a scan at `now`: values and quality; the rest is the caller's."""
        frame = Frame()
        if asks or self._asked:
            self._asked = {index: self._asked.get(index, now) for index in asks}
        for snapshot in snapshots:
            device = snapshot.device
            lost = snapshot.lost != self._lost[device]
            self._lost[device] = snapshot.lost
            young = now - snapshot.at_ms <= self._silent_after[device]
            good = snapshot.good and young and not lost
            came = good and not self._device_good[device]
            if good and (came or snapshot.sequence != self._sequence[device]):
                self._sequence[device] = snapshot.sequence
                self._tell(snapshot, frame)
            elif not good and self._device_good[device]:
                self._withdraw(snapshot, frame)
            self._device_good[device] = good
            if snapshot.remarks is not self._remarks[device]:
                self._remark(snapshot, frame)
        return frame

    def _remark(self, snapshot: Snapshot, frame: Frame) -> None:
        """What the field no longer remarks, or puts in other words, and what it remarks anew."""
        before, now = self._remarks[snapshot.device], snapshot.remarks
        frame.remarks += [(remark.tag, None) for remark in before if remark not in now]
        frame.remarks += [(remark.tag, remark) for remark in now if remark not in before]
        self._remarks[snapshot.device] = snapshot.remarks

    def _tell(self, snapshot: Snapshot, frame: Frame) -> None:
        told, good = self._told, self._good
        for index, value in zip(snapshot.points, snapshot.values, strict=True):
            usable = value is not None and math.isfinite(value)
            if usable is not good[index]:
                good[index] = usable
                frame.quality.append((index, usable))
            if value is None or not usable:
                continue
            if self._counter[index]:
                self.counted[index] = value
                asked = self._asked.get(index)
                if asked is None or snapshot.at_ms < asked:
                    continue
                frame.values.append((index, value))
            elif told[index] != value:
                told[index] = value
                frame.values.append((index, value))

    def _withdraw(self, snapshot: Snapshot, frame: Frame) -> None:
        for index in snapshot.points:
            if self._good[index]:
                self._good[index] = False
                frame.quality.append((index, False))
