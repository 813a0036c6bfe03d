"""Checks the parameters of devices: where they lie, whether they can be read and hold a value."""

from __future__ import annotations

from linectl.site.draft import Draft, Findings
from linectl.site.hardware import Device, Parameter, Point
from linectl.site.iolist import address_both_ways
from linectl.site.parameters import point_of_parameter
from linectl.site.register_range import register_range


def check(draft: Draft, say: Findings) -> None:
    """Each parameter of each device by itself, then against the device's outputs."""
    for name, device in draft.devices.items():
        for key, parameter in device.parameters.items():
            path = ("devices", name, "parameters", key)
            try:
                point = point_of_parameter(key, name, device)
            except ValueError as error:
                say.errors.append(draft.site((*path, "address"), str(error)))
                continue
            wrong = _form(parameter, point) or _unread(device, point) or _taken(draft, point)
            if wrong is not None:
                say.errors.append(draft.site((*path, wrong[0]), wrong[1]))


def _form(parameter: Parameter, point: Point) -> tuple[str, str] | None:
    """Key and sentence if table, type, order and value do not go together."""
    registers = point.table in ("input", "holding")
    if registers is point.is_bool:
        right = "a number type" if registers else "type bool"
        return "type", f"{point.type} does not fit in table {point.table}: write {right}"
    if point.words == 2 and point.word_order is None:
        return "word_order", f"{point.type} takes two registers: say which comes first"
    held = register_range(point)
    value = parameter.value
    if value is None:
        return None
    if not held.least <= value <= held.most or (held.step and value != int(value)):
        return "value", f"{value:g} is nothing that a register of type {point.type} holds"
    return None


def _unread(device: Device, point: Point) -> tuple[str, str] | None:
    ranges = device.ranges(device.readable, point.table)
    holes = device.ranges(device.holes, point.table)
    for at in range(point.address, point.address + point.words):
        outside = ranges and not any(at in one for one in ranges)
        if outside or any(at in one for one in holes):
            return "address", "may not be read there: see readable and holes of the device"
    return None


def _taken(draft: Draft, point: Point) -> tuple[str, str] | None:
    """An output's register says what the line wrote there, not what the device is set to."""
    mine = range(point.address, point.address + point.words)
    for _, other in draft.points:
        if (other.device, other.table) != (point.device, point.table) or other.direction == "in":
            continue
        if any(at in mine for at in range(other.address, other.address + other.words)):
            return "address", f"{other.tag}, an output, has {address_both_ways(other)}"
    return None
