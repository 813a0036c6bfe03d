"""What passes between a bus's thread and the scan: immutable records, replaced whole.

A reader takes the reference once and works on that; nothing is ever edited in place, so no lock
is needed. Times are milliseconds of the controller's clock.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import NamedTuple

from linectl.image import Value


class Snapshot(NamedTuple):
    """A device's inputs as of its last whole poll.

    at_ms: when that poll's first request went out (the values are no older than this says).
    points, values: image indices and engineering values, in the same order.
    good: False before the first whole poll and after the device was lost.
    lost: how often the device was lost; a change means that it went bad in between.
    """

    device: str
    sequence: int
    at_ms: int
    points: tuple[int, ...]
    values: tuple[Value, ...]
    good: bool
    lost: int


class Outputs(NamedTuple):
    """Every output as the gate left it, by image index, and when that scan ended."""

    sequence: int
    at_ms: int
    values: tuple[Value, ...]


class DeviceHealth(NamedTuple):
    """How a device does: `errors` counts by kind since start; `last` is the last error's text."""

    name: str
    good: bool
    demoted: bool
    since_ms: int
    errors: Mapping[str, int]
    last: str


class BusHealth(NamedTuple):
    """How a bus does. cycle_ms: between the starts of its last two polls (0 before them)."""

    name: str
    kind: str
    up: bool
    cycle_ms: float
    polls: int
    late: int
    """Polls that began after the deadline of the next one: skipped, not replayed."""
    errors: Mapping[str, int]
    devices: tuple[DeviceHealth, ...]
