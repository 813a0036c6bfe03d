"""What a served device is set to: the registers of the parameters that its site declares."""

from __future__ import annotations

from linectl.registers.codec import encode
from linectl.site.hardware import Device
from linectl.site.notation import Table
from linectl.site.parameters import point_of_parameter


def parameter_words(name: str, device: Device) -> dict[tuple[Table, int], int]:
    """Cells by table and address; what the site leaves to each device reads as one."""
    words: dict[tuple[Table, int], int] = {}
    for key, parameter in device.parameters.items():
        point = point_of_parameter(key, name, device)
        value = 1.0 if parameter.value is None else parameter.value
        for offset, word in enumerate(encode(point, value)):
            words[point.table, point.address + offset] = word
    return words
