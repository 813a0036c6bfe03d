"""Checks what outputs do when nobody rules them: safety columns, watchdogs, safe values."""

from __future__ import annotations

from linectl.site.draft import Draft, Findings
from linectl.site.hardware import Point
from linectl.site.iolist import Row

_ONLY_OUTPUTS = ("on_loss", "holds_load", "device_watchdog_ms", "cut_by", "safe")


def check(draft: Draft, say: Findings) -> None:
    """Safety columns of every output, and its watchdog against its zone and device."""
    for row, point in draft.points:
        if point.direction == "out":
            _columns(draft, row, point, say)
        else:
            for column in _ONLY_OUTPUTS:
                if column in row.cells:
                    text = "is an input; this column is for outputs"
                    say.errors.append(row.finding(column, text, "leave the cell empty"))


def _columns(draft: Draft, row: Row, point: Point, say: Findings) -> None:
    for column, meaning in (
        ("on_loss", "what the actuator does when the output is lost"),
        ("holds_load", "yes if it carries something that would fall"),
        ("safe", "the value that is safe"),
    ):
        if column not in row.cells:
            say.errors.append(row.finding(column, f"an output must say this: {meaning}"))
    if point.is_bool and point.safe not in (0, 1):
        say.errors.append(row.finding("safe", f"{point.safe:g} is neither 0 nor 1"))
    if point.holds_load and point.on_loss == "falls":
        text = "holds a load and falls when the output is lost"
        hint = "a holding actuator must stay or brake: change the machine, not this cell"
        say.errors.append(row.finding("on_loss", text, hint))
    need = draft.needs.get(point.tag)
    if need is None or not need.role.moves:
        return
    if not point.cut_by:
        text = "sets something in motion, and no hard-wired circuit that cuts it is named"
        say.errors.append(row.finding("cut_by", text, "name the circuit on the drawing"))
    _watchdog(draft, row, point, say)


def _watchdog(draft: Draft, row: Row, point: Point, say: Findings) -> None:
    """A moving output needs a watchdog in its device, as fast as its zone asks."""
    device, zone = draft.devices.get(point.device), draft.zones.get(point.zone)
    column, watchdog_ms = "device_watchdog_ms", point.device_watchdog_ms
    if watchdog_ms is None:
        text = "sets something in motion, and its device's watchdog is not given"
        hint = "only the device's own watchdog stops a motor when the controller dies"
        say.errors.append(row.finding(column, text, hint))
        return
    if zone and watchdog_ms > zone.watchdog_limit_ms:
        text = (
            f"{watchdog_ms} ms is slower than zone {point.zone} allows "
            f"({zone.watchdog_limit_ms} ms)"
        )
        say.errors.append(row.finding(column, text))
    if device and device.watchdog_ms is None:
        text = f"device {point.device} has no watchdog by site.yaml"
        say.errors.append(row.finding(column, text, "give the device its key watchdog"))
    elif device and device.watchdog_ms != watchdog_ms:
        text = (
            f"{watchdog_ms} ms, but device {point.device} is set to {device.watchdog_ms} ms "
            "by site.yaml"
        )
        say.errors.append(row.finding(column, text))
