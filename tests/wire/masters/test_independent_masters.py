"""The served plant, read and written by masters of other hands.

What they read is compared with what the plant holds; what they write, with what it then holds.
The device's points: ROWS in conftest.py.
"""

from __future__ import annotations

import json
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from linectl.errors import DeviceRefused, Silent

pytestmark = pytest.mark.wire

ROOT = Path(__file__).parents[3]
ABSENT = 99
"""A unit that nothing has."""
Master = tuple[Any, str, int]


def test_every_table_is_read_as_the_plant_holds_it(plant: Any, master: Master) -> None:
    ask, device, unit = master
    coils = [1, 0, 1, 1, 0, 0, 1, 1, 1, 0]
    discretes = [0, 1, 0, 0, 0, 0, 0, 1, 1]
    for n, bit in enumerate(coils):
        plant[f"{device}.c{n}"] = bool(bit)
    for n, bit in enumerate(discretes):
        plant[f"{device}.d{n}"] = bool(bit)
    for n, value in enumerate((0, 1, 0x8000, 0xFFFF)):
        plant[f"{device}.i{n}"] = value
        plant[f"{device}.h{n}"] = value ^ 0xFFFF
    assert ask.read(unit, "coil", 19, 10) == coils
    assert ask.read(unit, "discrete", 0, 9) == discretes
    assert [v & 0xFFFF for v in ask.read(unit, "input", 0, 4)] == [0, 1, 0x8000, 0xFFFF]
    assert [v & 0xFFFF for v in ask.read(unit, "holding", 100, 4)] == [0xFFFF, 0xFFFE, 0x7FFF, 0]


def test_scales_word_orders_and_bits_are_in_the_registers(plant: Any, master: Master) -> None:
    ask, device, unit = master
    plant[f"{device}.level"] = 25.3  # (25.3 + 40) / 0.1 = 653
    plant[f"{device}.pulses"] = 0x12345678
    plant[f"{device}.depth"] = -2
    plant[f"{device}.flow"] = -118.625  # IEEE 754: C2ED4000h
    came = [v & 0xFFFF for v in ask.read(unit, "input", 4, 7)]
    assert came == [653, 0x5678, 0x1234, 0xFFFF, 0xFFFE, 0xC2ED, 0x4000]
    plant[f"{device}.speed"] = 250.5
    plant[f"{device}.brake"] = True
    assert ask.read(unit, "holding", 104, 1) == [501]
    assert ask.read(unit, "holding", 111, 1) == [0x0200]


def test_one_value_and_several_are_written(plant: Any, master: Master) -> None:
    ask, device, unit = master
    ask.write(unit, "coil", 21, [1])
    ask.write(unit, "coil", 24, [1, 1, 0, 1])
    held = [plant[f"{device}.c{n}"] for n in range(10)]
    assert held == [False, False, True, False, False, True, True, False, True, False]
    ask.write(unit, "holding", 104, [501])
    assert plant[f"{device}.speed"] == 250.5
    ask.write(unit, "holding", 100, [1, 2, 0xFFFF])
    assert [plant[f"{device}.h{n}"] for n in range(4)] == [1, 2, 0xFFFF, 0]
    ask.write(unit, "holding", 105, [0xFFFF, 0xFFFE, 0x5678, 0x1234, 0xC2ED, 0x4000, 0x0201])
    assert plant[f"{device}.way"] == -2
    assert plant[f"{device}.turns"] == 0x12345678
    assert plant[f"{device}.dose"] == -118.625
    assert plant[f"{device}.run"] is True
    assert plant[f"{device}.brake"] is True


# Exceptions 02 and 03: MODBUS Application Protocol V1.1b3, 7; a quantity beyond the last address
# is exception 02, 6.3.
@pytest.mark.parametrize(
    ("table", "address", "count", "code"),
    [
        ("holding", 111, 1, None),
        ("holding", 111, 2, 2),
        ("holding", 112, 1, 2),
        ("holding", 99, 1, 2),
        ("coil", 28, 1, None),
        ("coil", 28, 2, 2),
        ("discrete", 9, 1, 2),
        ("input", 10, 2, 2),
        ("input", 65535, 1, 2),
    ],
)
def test_the_edge_of_a_table_is_where_its_last_point_is(
    plant: Any, master: Master, table: str, address: int, count: int, code: int | None
) -> None:
    ask, _, unit = master
    if code is None:
        assert ask.read(unit, table, address, count) == [0]
        return
    with pytest.raises(DeviceRefused) as refused:
        ask.read(unit, table, address, count)
    assert refused.value.code == code


def test_a_write_beyond_the_edge_changes_nothing(plant: Any, master: Master) -> None:
    ask, device, unit = master
    for table, address, values in (("coil", 27, [1, 1, 1]), ("holding", 99, [7, 7])):
        with pytest.raises(DeviceRefused) as refused:
            ask.write(unit, table, address, values)
        assert refused.value.code == 2
    assert not any(plant[f"{device}.c{n}"] for n in range(10))
    assert plant[f"{device}.h0"] == 0


def test_a_unit_that_is_not_there_is_silent_and_harms_nobody(plant: Any, master: Master) -> None:
    ask, _, unit = master
    with pytest.raises(Silent):
        ask.read(ABSENT, "holding", 100, 1)
    assert ask.read(unit, "holding", 100, 1) == [0]


@pytest.mark.parametrize("link", ["net", "line"])
def test_mbpoll_joins_and_parts_long_values_as_the_map_says(
    plant: Any, mbpoll_at: Callable[..., Any], link: str
) -> None:
    served = plant.served
    on_net = link == "net"
    ask = mbpoll_at("127.0.0.1", served.port("net")) if on_net else mbpoll_at(served.path("line"))
    unit = served.site.file.devices[link].unit
    plant[f"{link}.depth"] = -305_419_896
    plant[f"{link}.pulses"] = 305_419_896
    plant[f"{link}.flow"] = 12.625
    assert ask.read(unit, "input", 7, 1, ":int") == [-305_419_896]
    assert ask.read(unit, "input", 5, 1, ":int", "little") == [305_419_896]
    assert ask.read(unit, "input", 9, 1, ":float") == [12.625]
    ask.write(unit, "holding", 105, [-305_419_896], ":int")
    ask.write(unit, "holding", 107, [305_419_896], ":int", "little")
    ask.write(unit, "holding", 109, [-118.625], ":float")
    assert plant[f"{link}.way"] == -305_419_896
    assert plant[f"{link}.turns"] == 305_419_896
    assert plant[f"{link}.dose"] == -118.625


# V1.1b3, 6.21: function 2Bh/0Eh; objects 0, 1, 2 are vendor, product code and revision; an object
# that is not there is exception 02, a wrong code exception 03.
def test_a_served_device_says_who_it_is(plant: Any, py_modbus_tcp: Callable[[int], Any]) -> None:
    client = py_modbus_tcp(plant.served.port("net")).client
    basic = client.read_device_identification(read_code=1, object_id=0)
    assert sorted(basic.objects_by_id) == [0, 1, 2]
    assert basic.more_follows == 0
    assert basic.product_code == b"net"
    one = client.read_device_identification(read_code=4, object_id=1)
    assert one.objects_by_id == {1: b"net"}
    assert client.read_device_identification(read_code=4, object_id=7) is None
    assert client.last_except == 2


def test_the_plant_command_serves_them_as_well(
    mbpoll_at: Callable[..., Any], py_modbus_tcp: Callable[[int], Any], tmp_path: Path
) -> None:
    """`linectl plant`, a process of its own, with the model of the whole machine behind it."""
    command = [sys.executable, "-m", "linectl.cli", "plant", "config/small", "--json"]
    file = ["--file", str(tmp_path / "plant.json")]
    with subprocess.Popen([*command, *file], cwd=ROOT, stdout=subprocess.PIPE) as plant:
        try:
            assert plant.stdout is not None
            rows = {row["device"]: row for row in json.loads(plant.stdout.readline())["endpoints"]}
            io, belts = rows["io_sower"], rows["belts_sower"]
            # config/small/io.csv: the emergency stop is not pressed, nobody presses a reset.
            for master in (mbpoll_at(io["host"], io["port"]), py_modbus_tcp(io["port"])):
                assert master.read(io["unit"], "discrete", 0, 3) == [1, 0, 0]
            serial = mbpoll_at(belts["path"])
            serial.write(belts["unit"], "holding", 0, [250])
            assert serial.read(belts["unit"], "holding", 0, 1) == [250]
        finally:
            plant.terminate()
