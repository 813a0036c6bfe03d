"""A device read back: who it says it is, what it is set to, and what differs from the record.

Reads only: identification (MODBUS Application Protocol V1.1b3, 6.21) and the registers of declared
parameters. Identification has no serial number of its own; where a device keeps one in a register,
it is a parameter without a value.
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import dataclass

from linectl.commission.find import texts_of
from linectl.commission.talk import REPEATS, Heard, Line, Talk, late_ms
from linectl.errors import Unreachable
from linectl.image import Value
from linectl.registers.codec import decode
from linectl.site.hardware import Device, Parameter, Point
from linectl.site.iolist import address_both_ways
from linectl.site.model import Site
from linectl.site.parameters import is_right, point_of_parameter


@dataclass(frozen=True)
class Setting:
    """One declared parameter, and what the device says of it."""

    name: str
    parameter: Parameter
    where: str
    """Both ways of its address."""
    value: Value | None
    """What it reads; None: it could not be read."""
    trouble: str = ""
    """Why not."""

    @property
    def right(self) -> bool:
        return self.value is not None and is_right(self.parameter, self.value)

    @property
    def text(self) -> str:
        """In words: `watchdog 30, must be 10 (holding 512 (reference 40513): 1 s)`."""
        what = f": {self.parameter.text}" if self.parameter.text else ""
        where = f"({self.where}{what})"
        if self.value is None:
            return f"{self.name} cannot be read {where}: {self.trouble}"
        if self.parameter.value is None:
            return f"{self.name} {self.value:.10g}, each device's own {where}"
        if self.right:
            return f"{self.name} {self.value:.10g}, as declared {where}"
        return f"{self.name} {self.value:.10g}, must be {self.parameter.value:.10g} {where}"


@dataclass(frozen=True)
class ReadBack:
    """What a device said."""

    device: str
    identity: Mapping[str, str] | None
    """Identification objects by name; None: it has none."""
    settings: tuple[Setting, ...]

    @property
    def wrong(self) -> tuple[Setting, ...]:
        """Parameters that are not as declared, or could not be read."""
        return tuple(setting for setting in self.settings if not setting.right)

    @property
    def identity_text(self) -> str:
        """As it is kept: a JSON object, empty without one."""
        return "" if self.identity is None else json.dumps(self.identity, ensure_ascii=False)

    @property
    def parameters_text(self) -> str:
        """As it is kept: a JSON object of what was read."""
        return json.dumps({s.name: s.value for s in self.settings if s.value is not None})


def read_back(site: Site, name: str, line: Line) -> ReadBack:
    """Ask a device over an open line. Raises Unreachable if it does not answer at all."""
    device = site.file.devices[name]
    talk = Talk(line, late_ms(site.file.buses[device.bus], device.late_ms))
    settings = tuple(_setting(talk, name, device, key) for key in device.parameters)
    objects = talk.identify(name, device.unit)
    if objects is None and not any(setting.value is not None for setting in settings):
        _there(talk, site, name, device)
    return ReadBack(name, None if objects is None else texts_of(objects), settings)


def identity_differences(before: Mapping[str, str] | None, now: ReadBack) -> tuple[str, ...]:
    """What differs between two identifications, object by object, in words."""
    was, said = before or {}, now.identity or {}
    names = dict.fromkeys((*was, *said))
    return tuple(
        f"{name} {said.get(name, 'nothing')!r}, on record {was.get(name, 'nothing')!r}"
        for name in names
        if was.get(name) != said.get(name)
    )


def _setting(talk: Talk, name: str, device: Device, key: str) -> Setting:
    point = point_of_parameter(key, name, device)
    parameter, where = device.parameters[key], address_both_ways(point)
    heard = _heard(talk, device, point)
    if not heard.good:
        return Setting(key, parameter, where, None, heard.text)
    return Setting(key, parameter, where, decode(point, heard.cells))


def _heard(talk: Talk, device: Device, point: Point) -> Heard:
    """One read; asked again where damage, lateness or silence said nothing of the device."""
    asks = point.device, device.unit, point.table, point.address, point.words, device.pause_ms
    heard = talk.read(*asks)
    for _ in range(REPEATS):
        if heard.settled:
            break
        heard = talk.read(*asks)
    return heard


def _there(talk: Talk, site: Site, name: str, device: Device) -> None:
    """Raises Unreachable unless the device answers for a point of its own, be it to refuse."""
    for point in site.points:
        if point.device == name:
            heard = _heard(talk, device, point)
            if heard.there:
                return
            raise Unreachable(
                f"{name} (unit {device.unit} on {device.bus}) does not answer: {heard.text}. Look"
                " at its power, its wires, its unit number, and the speed of its line"
            )
