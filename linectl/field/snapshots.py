"""What passes between a bus's thread and the scan: immutable records, replaced whole.

A reader takes the reference once and works on that; nothing is ever edited in place, so no lock
is needed. Times are milliseconds of the controller's clock.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import NamedTuple

from linectl.field.measures import Spread
from linectl.image import Remark, Value

Quality = str
"""good, or why not: starting, link_down, silent, garbled, refused, not_taken, scan_stopped,
claimed."""


class Snapshot(NamedTuple):
    """A device's inputs as of its last whole poll.

    at_ms: when that poll's first request went out (the values are no older than this says, but
    for points of a slower polling class, which are no older than their class).
    points, values: image indices and engineering values, in the same order; None: the device has
    no such address. good: False before the first whole poll and after the device was lost.
    lost: how often the device was lost; a change means that it went bad in between.
    remarks: what is to be an alarm though the device may be good.
    """

    device: str
    sequence: int
    at_ms: int
    points: tuple[int, ...]
    values: tuple[Value | None, ...]
    good: bool
    lost: int
    remarks: tuple[Remark, ...] = ()


class Outputs(NamedTuple):
    """Every output as the gate left it, by image index, and when that scan ended."""

    sequence: int
    at_ms: int
    values: tuple[Value, ...]


class DeviceHealth(NamedTuple):
    """How a device does.

    quality: see Quality. since_ms: since when it is good or bad. errors: counts by kind since
    start (silent, crc, short, foreign, stale, stray, echo, refused_n, link_down, late, not_taken).
    last: the last error's text. check: what to look at about it. last_good_ms: when it last
    answered a whole poll. latency: from the request's end to the answer's beginning. age: how old
    a value became before its successor came. bad_points: tags that are bad though the device is
    good, and why. holes: what to write into the site's files under `holes`, by table.
    """

    name: str
    good: bool
    demoted: bool
    since_ms: int
    errors: Mapping[str, int]
    last: str
    quality: Quality = "starting"
    last_good_ms: int | None = None
    latency: Spread = Spread(0, 0.0, 0.0, 0.0)
    age: Spread = Spread(0, 0.0, 0.0, 0.0)
    bad_points: Mapping[str, str] = {}
    holes: Mapping[str, tuple[str, ...]] = {}
    check: str = ""


class BusHealth(NamedTuple):
    """How a bus does. cycle_ms: between the starts of its last two polls (0 before them).

    since_ms: since when it is up or down. cycle: of all polls; wire: what reads and writes of a
    poll took; write: from the scan that changed an output until its device had taken it.
    echoes: whether the line repeats what is sent (None: not known, or no serial line).
    """

    name: str
    kind: str
    up: bool
    cycle_ms: float
    polls: int
    late: int
    """Polls that began after the deadline of the next one: skipped, not replayed."""
    errors: Mapping[str, int]
    devices: tuple[DeviceHealth, ...]
    since_ms: int = 0
    cycle: Spread = Spread(0, 0.0, 0.0, 0.0)
    wire: Spread = Spread(0, 0.0, 0.0, 0.0)
    write: Spread = Spread(0, 0.0, 0.0, 0.0)
    echoes: bool | None = None
    remarks: tuple[str, ...] = ()
