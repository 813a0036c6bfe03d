"""Checks devices whole: watchdogs against refresh and silence, outputs that nobody would miss."""

from __future__ import annotations

from linectl.site.draft import Draft, Findings
from linectl.site.durations import format_duration
from linectl.site.hardware import UNIT_DIRECT, Device, RtuBus, TcpBus

_REFRESHES_IN_WATCHDOG = 2
"""A watchdog must outlast one lost refresh, or a single lost frame drops the outputs."""

_LAST_UNIT = 247
"""MODBUS over Serial Line V1.02 (2006), 2.2: 248–255 are reserved."""


def check(draft: Draft, say: Findings) -> None:
    """Every device: refreshed in time, missed in time, and missed at all."""
    for name, device in draft.devices.items():
        _unit(draft, say, name, device)
        _watchdog(draft, say, name, device)
    _unseen(draft, say)


def _unit(draft: Draft, say: Findings, name: str, device: Device) -> None:
    """Units 1–247 anywhere; 255 for a device reached by its network address alone."""
    bus = draft.buses.get(device.bus)
    if device.unit <= _LAST_UNIT or bus is None:
        return
    behind_line = isinstance(bus, TcpBus) and (bus.line or bus.framing == "rtu")
    if device.unit != UNIT_DIRECT or isinstance(bus, RtuBus) or behind_line:
        text = f"unit {device.unit} is outside 1–{_LAST_UNIT}"
        hint = f"{UNIT_DIRECT} is for a network device that is addressed without a unit"
        say.errors.append(draft.site(("devices", name, "unit"), text, hint))


def _watchdog(draft: Draft, say: Findings, name: str, device: Device) -> None:
    """The refresh must feed the watchdog, and the line must know before the watchdog acts."""
    if device.watchdog_ms is None:
        return
    watchdog = format_duration(device.watchdog_ms)
    least_ms = device.refresh_ms * _REFRESHES_IN_WATCHDOG
    if device.watchdog_ms < least_ms:
        text = (
            f"{device.refresh_ms} ms is too slow for the device's watchdog of "
            f"{device.watchdog_ms} ms: one lost refresh would drop its outputs"
        )
        hint = f"at most {device.watchdog_ms // _REFRESHES_IN_WATCHDOG}ms"
        say.errors.append(draft.site(("devices", name, "refresh"), text, hint))
    if device.silent_after_ms >= device.watchdog_ms:
        text = (
            f"{format_duration(device.silent_after_ms)} is not below the device's watchdog of "
            f"{watchdog}: it would drop its outputs, and come back, before the line knows that "
            "it was away"
        )
        hint = f"below {watchdog}"
        say.errors.append(draft.site(("devices", name, "silent_after"), text, hint))


def _unseen(draft: Draft, say: Findings) -> None:
    """A device that is written and never read falls silent without anyone knowing.

    A row that could not be read as a point may be the input: it counts as one.
    """
    read_as_points = {row.tag for row, _ in draft.points}
    seen = {point.device for _, point in draft.points if point.direction == "in"}
    seen |= {row.cells.get("device", "") for row in draft.rows if row.tag not in read_as_points}
    for name in draft.devices:
        outputs = [
            point.tag
            for _, point in draft.points
            if point.device == name and point.direction == "out"
        ]
        if outputs and name not in seen:
            text = (
                f"has outputs ({outputs[0]}{', …' if len(outputs) > 1 else ''}) and no input: "
                "nothing is ever read from it, so its loss would not be seen"
            )
            hint = "give it a row for an input it has, or move the outputs to a device that is read"
            say.errors.append(draft.site(("devices", name), text, hint))
