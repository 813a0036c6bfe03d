"""Checks devices whole: watchdogs against refresh and silence, outputs that nobody would miss, the
certificates that secured buses need."""

from __future__ import annotations

import contextlib

from linectl.site.draft import Draft, Findings
from linectl.site.durations import format_duration
from linectl.site.hardware import (
    CLAIM_REGISTERS,
    UNIT_DIRECT,
    Device,
    RtuBus,
    TcpBus,
    TlsBus,
)
from linectl.site.notation import LAST_ADDRESS, protocol_address

_REFRESHES_IN_WATCHDOG = 2
"""A watchdog must outlast one lost refresh, or a single lost frame drops the outputs."""

_MOVING_NAMES = ("/dev/ttyUSB", "/dev/ttyACM")
_LAST_UNIT = 247
"""MODBUS over Serial Line V1.02 (2006), 2.2: 248–255 are reserved."""


def check(draft: Draft, say: Findings) -> None:
    """Every device: refreshed in time, missed in time, and missed at all."""
    for name, device in draft.devices.items():
        _unit(draft, say, name, device)
        _watchdog(draft, say, name, device)
        _heartbeat(draft, say, name, device)
        if device.claim is not None:
            _claim(draft, say, name, device, device.claim)
    _unseen(draft, say)
    _moving_names(draft, say)
    for name, bus in draft.buses.items():
        if isinstance(bus, TlsBus):
            _papers(draft, say, name, bus)


def _papers(draft: Draft, say: Findings, name: str, bus: TlsBus) -> None:
    """A warning for a file that is not here: certificates, and above all the key, are often
    installed on the machine that runs the line and nowhere else."""
    files = {"authority": bus.authority, "certificate": bus.certificate, "key": bus.key}
    for key, text in files.items():
        path = draft.folder / text
        if not path.is_file():
            text = f"there is no file {path}: without it bus {name} cannot be reached from here"
            hint = "install it on the machine that runs the line"
            say.warnings.append(draft.site(("buses", name, key), text, hint))


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


def _heartbeat(draft: Draft, say: Findings, name: str, device: Device) -> None:
    """A heartbeat feeds a watchdog: there must be one, and it must outlast a lost beat."""
    beat = device.heartbeat
    if beat is None:
        return
    if device.watchdog_ms is None:
        text = "a heartbeat feeds the device's communication watchdog, and none is given"
        hint = "watchdog: as it is set in the device"
        say.errors.append(draft.site(("devices", name, "heartbeat"), text, hint))
    elif device.watchdog_ms < beat.every_ms * _REFRESHES_IN_WATCHDOG:
        text = (
            f"{beat.every_ms} ms is too slow for the device's watchdog of {device.watchdog_ms} ms: "
            "one lost beat would drop its outputs"
        )
        hint = f"at most {device.watchdog_ms // _REFRESHES_IN_WATCHDOG}ms"
        say.errors.append(draft.site(("devices", name, "heartbeat", "every"), text, hint))


def _claim(draft: Draft, say: Findings, name: str, device: Device, text: str) -> None:
    """A claim's registers are read and written four at once, and are nobody else's."""
    try:
        first = protocol_address("holding", text, device.notation)
        readable, holes = (device.ranges(x, "holding") for x in (device.readable, device.holes))
    except ValueError:
        return  # told where addresses are read
    mine = range(first, first + CLAIM_REGISTERS)
    taken = _held(draft, name, device)
    hint = "four holding registers that nothing else uses, kept by the device while it has power"
    if not any(p.device == name and p.direction == "out" for _, p in draft.points):
        wrong, hint = "there is no output here to claim", "leave claim out"
    elif shared := [taken[at] for at in mine if at in taken]:
        wrong = f"{text} and the three after it are not free: {shared[0]} is there"
    elif mine[-1] > LAST_ADDRESS:
        wrong = f"the last of its four registers would lie beyond {LAST_ADDRESS}"
    elif any(at in hole for at in mine for hole in holes) or (
        readable and any(not any(at in part for part in readable) for at in mine)
    ):
        wrong = "its four registers may not be read: see readable and holes"
    elif device.write == "single":
        wrong, hint = "it takes function 16, and this device writes single registers only", ""
    elif min(device.max_read_registers, device.max_write_registers) < CLAIM_REGISTERS:
        wrong, hint = f"it takes {CLAIM_REGISTERS} registers in one request", "see its manual"
    else:
        return
    say.errors.append(draft.site(("devices", name, "claim"), wrong, hint or None))


def _held(draft: Draft, name: str, device: Device) -> dict[int, str]:
    """What lies at each holding register of a device."""
    held = {
        address: point.tag
        for _, point in draft.points
        if point.device == name and point.table == "holding"
        for address in range(point.address, point.address + point.words)
    }
    if device.heartbeat is not None:
        with contextlib.suppress(ValueError):
            beat = protocol_address("holding", device.heartbeat.address, device.notation)
            held[beat] = "the heartbeat"
    return held


def _moving_names(draft: Draft, say: Findings) -> None:
    """USB adapters are numbered as they are found: their names move from one to the other."""
    for name, bus in draft.buses.items():
        if isinstance(bus, RtuBus) and bus.port.startswith(_MOVING_NAMES):
            text = (
                f"{bus.port} is whichever adapter was found so-manieth: after a start, or with two "
                "adapters, it may be another one"
            )
            hint = "the name under /dev/serial/by-id/ that `ls -l` there shows for it"
            say.warnings.append(draft.site(("buses", name, "port"), text, hint))


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
