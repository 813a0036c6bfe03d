"""Exchanges of one bus: each failure is counted under its kind and settled where it happened.

A time-out on a serial line is followed by a quiet time; a TCP connection on which nobody answers
any more is closed, to be opened anew; a dead link is the whole bus's.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Sequence

from linectl.errors import DeviceRefused, LinkDown, Silent, Unreachable
from linectl.field.device import FieldDevice, error_kind
from linectl.field.modbus import Ask, Wire

SILENT_BEFORE_CLOSE = 3
"""Exchanges in a row without any answer, times the devices of a TCP bus, before it is closed."""


class Exchanges:
    """For the bus's own thread. `errors` counts by kind since start."""

    def __init__(
        self, wire: Wire, kind: str, devices: Sequence[FieldDevice], clock: Callable[[], int]
    ) -> None:
        self.errors: Counter[str] = Counter()
        self._wire = wire
        self._serial = kind == "rtu"
        self._devices = devices
        self._clock = clock
        self._silent_in_a_row = 0

    def do(self, device: FieldDevice, ask: Ask) -> list[int] | None:
        """One exchange: the cells read (empty for a write); None after a failure."""
        cells: list[int] = []
        try:
            if ask.cells:
                self._wire.write(ask)
                device.outputs.done(ask)
                device.wrote(self._clock())
            else:
                cells = list(self._wire.read(ask))
        except LinkDown as error:
            self.link_failed(error)
            return None
        except Unreachable as error:
            self._failed(device, ask, error)
            return None
        self._silent_in_a_row = 0
        return cells

    def link_failed(self, error: LinkDown) -> None:
        """The link is down for every device."""
        self._wire.close()
        self.errors[error_kind(error)] += 1
        now = self._clock()
        for device in self._devices:
            device.failed(error, now)
            device.check_age(now)

    def relinked(self) -> None:
        """The link is up again: what hangs on it may have been without power meanwhile."""
        self._silent_in_a_row = 0
        now = self._clock()
        for device in self._devices:
            device.relink(now)

    def _failed(self, device: FieldDevice, ask: Ask, error: Unreachable) -> None:
        if ask.cells:
            device.outputs.failed(ask)
            device.not_written(self._clock())
        self.errors[error_kind(error)] += 1
        device.failed(error, self._clock())
        if self._serial and not isinstance(error, DeviceRefused):
            self._wire.settle()
        if isinstance(error, Silent):
            self._silent_in_a_row += 1
        else:
            self._silent_in_a_row = 0
        limit = SILENT_BEFORE_CLOSE * len(self._devices)
        if not self._serial and self._silent_in_a_row >= limit:
            self._wire.close()
        device.check_age(self._clock())
