"""When a bus's last frames are worth keeping: device lost, link down, write that differs."""

from __future__ import annotations

from collections.abc import Sequence

from linectl.field.device import FieldDevice
from linectl.field.modbus import Wire
from linectl.field.tracing import Ring


class TroubleWatch:
    """For the bus's own thread: `look` after every poll, `differs` after a read-back."""

    def __init__(self, ring: Ring | None, wire: Wire, devices: Sequence[FieldDevice]) -> None:
        self._ring = ring
        self._wire = wire
        self._devices = devices
        self._up = False
        self._good = {device.name: False for device in devices}

    def look(self, up: bool) -> None:
        """Dump the frames if the link or a device that was good has been lost since the last look.
        A link that goes down takes its devices with it: that is one trouble."""
        if self._ring is None:
            return
        now = {device.name: device.snapshot.good for device in self._devices}
        lost = [name for name, was in self._good.items() if was and not now[name]]
        if self._up and not up:
            self._dump("the link went down")
        elif lost:
            self._dump(f"{', '.join(lost)} lost")
        self._up, self._good = up, now

    def differs(self, device: str, differences: Sequence[str]) -> None:
        """What a device says of its outputs is not what it was told."""
        if self._ring is not None and differences:
            self._dump(f"{device} differs from what was written: {'; '.join(differences)}")

    def _dump(self, what: str) -> None:
        if self._ring is not None:
            self._ring.trouble(self._wire.name, what, self._wire.frames)
