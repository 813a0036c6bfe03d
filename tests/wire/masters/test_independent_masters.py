"""The served plant, read and written by masters that share no line of code with it.

mbpoll is a command of its own on libmodbus (C); pyModbusTCP is a client in Python of another hand.
What they read is compared with what the plant holds; what they write, with what it then holds.
"""

from __future__ import annotations

import json
import re
import shutil
import subprocess
import sys
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest
from pyModbusTCP.client import ModbusClient
from pyModbusTCP.constants import MB_TIMEOUT_ERR

from linectl.image import Value
from linectl.site.hardware import Device, Point, RtuBus, TcpBus
from linectl.site.model import Site, SiteFile

pytestmark = pytest.mark.wire

ROOT = Path(__file__).parents[2]
BUSES = {
    "net": {"kind": "tcp", "host": "127.0.0.1", "poll": "20ms", "timeout": "100ms"},
    "line": {"kind": "rtu", "port": "none", "baud": 115_200, "poll": "50ms", "timeout": "100ms"},
}
UNITS = {"net": 1, "line": 17}
ABSENT = 99
ANSWER_S = 0.25
"""How long a master waits: the served device answers within some milliseconds."""

# tag → its row; every table, every type, both word orders, a scale, bits of a register.
ROWS: dict[str, dict[str, Any]] = {
    **{f"c{n}": {"table": "coil", "address": 19 + n, "type": "bool"} for n in range(10)},
    **{f"d{n}": {"table": "discrete", "address": n, "type": "bool"} for n in range(9)},
    **{f"i{n}": {"table": "input", "address": n, "type": "u16"} for n in range(4)},
    "level": {"table": "input", "address": 4, "type": "i16", "scale": 0.1, "offset": -40.0},
    "pulses": {"table": "input", "address": 5, "type": "u32", "word_order": "little"},
    "depth": {"table": "input", "address": 7, "type": "i32", "word_order": "big"},
    "flow": {"table": "input", "address": 9, "type": "f32", "word_order": "big"},
    **{f"h{n}": {"table": "holding", "address": 100 + n, "type": "u16"} for n in range(4)},
    "speed": {"table": "holding", "address": 104, "type": "u16", "scale": 0.5},
    "way": {"table": "holding", "address": 105, "type": "i32", "word_order": "big"},
    "turns": {"table": "holding", "address": 107, "type": "u32", "word_order": "little"},
    "dose": {"table": "holding", "address": 109, "type": "f32", "word_order": "big"},
    "run": {"table": "holding", "address": 111, "type": "bool", "bit": 0},
    "brake": {"table": "holding", "address": 111, "type": "bool", "bit": 9},
}


def plant_site() -> Site:
    """The same device on a network and on a serial line."""
    points = []
    for device in UNITS:
        for tag, row in ROWS.items():
            direction = "in" if row["table"] in ("discrete", "input") else "out"
            place = {"index": len(points), "line": len(points) + 2, "tag": f"{device}.{tag}"}
            fixed = {"device": device, "direction": direction}
            points.append(Point.model_validate(place | fixed | row))
    devices = {
        name: {"bus": name, "unit": unit, "turnaround": "1ms", "silent_after": "500ms"}
        for name, unit in UNITS.items()
    }
    return Site.model_construct(
        file=SiteFile.model_construct(
            name="peers",
            buses={
                "net": TcpBus.model_validate(BUSES["net"]),
                "line": RtuBus.model_validate(BUSES["line"]),
            },
            devices={name: Device.model_validate(facts) for name, facts in devices.items()},
        ),
        points=tuple(points),
    )


class RefusedError(Exception):
    """The device's exception, by the code that the master understood."""


class NoAnswerError(Exception):
    """The master waited in vain."""


TABLES = {"coil": "0", "discrete": "1", "input": "3", "holding": "4"}
CODES = {"Illegal function": 1, "Illegal data address": 2, "Illegal data value": 3}
"""mbpoll's words for a table, and libmodbus's for an exception."""


class Mbpoll:
    """The command `mbpoll`, once for each exchange. Addresses from 0 on (`-0`)."""

    def __init__(self, program: str, link: list[str], where: str) -> None:
        self._start = [program, *link, "-1", "-0", "-o", str(ANSWER_S)]
        self._where = where

    def read(
        self, unit: int, table: str, address: int, count: int, kind: str = "", order: str = "big"
    ) -> list[Any]:
        """`kind`: nothing for registers and bits, `:int` or `:float` for 32-bit values."""
        said = self._run(unit, f"{TABLES[table]}{kind}", order, address, ["-c", str(count)], [])
        number = float if kind == ":float" else int
        return [number(value) for value in re.findall(r"^\[\d+\]:\s+(\S+)", said, re.M)]

    def write(
        self,
        unit: int,
        table: str,
        address: int,
        values: list[Any],
        kind: str = "",
        order: str = "big",
    ) -> None:
        said = self._run(unit, f"{TABLES[table]}{kind}", order, address, [], ["--", *values])
        assert f"Written {len(values)} references." in said

    def _run(
        self, unit: int, kind: str, order: str, address: int, more: list[str], values: list[Any]
    ) -> str:
        big = ["-B"] if order == "big" else []
        what = ["-a", str(unit), "-t", kind, *big, "-r", str(address), *more]
        done = subprocess.run(
            [*self._start, *what, self._where, *map(str, values)],
            capture_output=True,
            text=True,
            timeout=10,
            check=False,
        )
        if done.returncode == 0:
            return done.stdout
        why = done.stderr.strip().rpartition(": ")[2]
        if why == "Connection timed out":
            raise NoAnswerError
        assert why in CODES, done.stdout + done.stderr
        raise RefusedError(CODES[why])


class PyModbusTcp:
    """The client of pyModbusTCP on one connection."""

    def __init__(self, port: int) -> None:
        self.client = ModbusClient("127.0.0.1", port, timeout=ANSWER_S, auto_open=True)

    def read(self, unit: int, table: str, address: int, count: int) -> list[int]:
        names = {"coil": "coils", "discrete": "discrete_inputs"}
        name = names.get(table, f"{table}_registers")
        return [int(cell) for cell in self._call(f"read_{name}", unit, address, count)]

    def write(self, unit: int, table: str, address: int, values: list[int]) -> None:
        name = "coil" if table == "coil" else "register"
        if len(values) == 1:
            self._call(f"write_single_{name}", unit, address, values[0])
        else:
            self._call(f"write_multiple_{name}s", unit, address, values)

    def _call(self, name: str, unit: int, *facts: Any) -> Any:
        self.client.unit_id = unit
        if came := getattr(self.client, name)(*facts):
            return came
        if self.client.last_except:
            raise RefusedError(self.client.last_except)
        assert self.client.last_error == MB_TIMEOUT_ERR, self.client.last_error_as_txt
        raise NoAnswerError


class Plant:
    """What the served plant holds, by device and tag."""

    def __init__(self, served: Any) -> None:
        self.served = served

    def __getitem__(self, tag: str) -> Value:
        return self.served.plant.values[self._index(tag)]

    def __setitem__(self, tag: str, value: Value) -> None:
        self.served.plant.values[self._index(tag)] = value

    def _index(self, tag: str) -> int:
        return next(p.index for p in self.served.site.points if p.tag == tag)


@pytest.fixture
def plant(serve: Callable[..., Any]) -> Plant:
    return Plant(serve(plant_site()))


@pytest.fixture
def mbpoll(installed: Callable[..., str]) -> str:
    return installed(shutil.which("mbpoll"), "mbpoll", "mbpoll")


# A pseudo-terminal refuses any parity, so the serial line is asked without.
SERIAL = ["-m", "rtu", "-b", "115200", "-P", "none"]


@pytest.fixture(params=["mbpoll on TCP", "mbpoll on RTU", "pyModbusTCP"])
def master(
    request: pytest.FixtureRequest, plant: Plant
) -> Iterator[tuple[Mbpoll | PyModbusTcp, str]]:
    """A master and the name of the device that it reaches."""
    if request.param == "pyModbusTCP":
        client = PyModbusTcp(plant.served.port("net"))
        yield client, "net"
        client.client.close()
        return
    program = request.getfixturevalue("mbpoll")
    if request.param == "mbpoll on TCP":
        link = ["-m", "tcp", "-p", str(plant.served.port("net"))]
        yield Mbpoll(program, link, "127.0.0.1"), "net"
    else:
        yield Mbpoll(program, SERIAL, plant.served.path("line")), "line"


Master = tuple[Mbpoll | PyModbusTcp, str]


def test_every_table_is_read_as_the_plant_holds_it(plant: Plant, master: Master) -> None:
    ask, device = master
    unit = UNITS[device]
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


def test_scales_word_orders_and_bits_are_in_the_registers(plant: Plant, master: Master) -> None:
    ask, device = master
    plant[f"{device}.level"] = 25.3  # (25.3 + 40) / 0.1 = 653
    plant[f"{device}.pulses"] = 0x12345678
    plant[f"{device}.depth"] = -2
    plant[f"{device}.flow"] = -118.625  # IEEE 754: C2ED4000h
    came = [v & 0xFFFF for v in ask.read(UNITS[device], "input", 4, 7)]
    assert came == [653, 0x5678, 0x1234, 0xFFFF, 0xFFFE, 0xC2ED, 0x4000]
    plant[f"{device}.speed"] = 250.5
    plant[f"{device}.brake"] = True
    assert ask.read(UNITS[device], "holding", 104, 1) == [501]
    assert ask.read(UNITS[device], "holding", 111, 1) == [0x0200]


def test_one_value_and_several_are_written(plant: Plant, master: Master) -> None:
    ask, device = master
    unit = UNITS[device]
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
    plant: Plant, master: Master, table: str, address: int, count: int, code: int | None
) -> None:
    ask, device = master
    if code is None:
        assert ask.read(UNITS[device], table, address, count) == [0]
        return
    with pytest.raises(RefusedError) as refused:
        ask.read(UNITS[device], table, address, count)
    assert refused.value.args == (code,)


def test_a_write_beyond_the_edge_changes_nothing(plant: Plant, master: Master) -> None:
    ask, device = master
    for table, address, values in (("coil", 27, [1, 1, 1]), ("holding", 99, [7, 7])):
        with pytest.raises(RefusedError) as refused:
            ask.write(UNITS[device], table, address, values)
        assert refused.value.args == (2,)
    assert not any(plant[f"{device}.c{n}"] for n in range(10))
    assert plant[f"{device}.h0"] == 0


def test_a_unit_that_is_not_there_is_silent_and_harms_nobody(plant: Plant, master: Master) -> None:
    ask, device = master
    with pytest.raises(NoAnswerError):
        ask.read(ABSENT, "holding", 100, 1)
    assert ask.read(UNITS[device], "holding", 100, 1) == [0]


@pytest.mark.parametrize("link", ["net", "line"])
def test_mbpoll_joins_and_parts_long_values_as_the_map_says(
    plant: Plant, mbpoll: str, link: str
) -> None:
    if link == "net":
        ask = Mbpoll(mbpoll, ["-m", "tcp", "-p", str(plant.served.port("net"))], "127.0.0.1")
    else:
        ask = Mbpoll(mbpoll, SERIAL, plant.served.path("line"))
    unit = UNITS[link]
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


# V1.1b3, 6.21 (function 2Bh/0Eh), 6.13 (11h): a device that has not the function says so.
def test_a_device_says_which_functions_it_has_not(plant: Plant, mbpoll: str) -> None:
    client = PyModbusTcp(plant.served.port("net")).client
    assert client.read_device_identification() is None
    assert client.last_except == 1
    client.close()
    asked = [mbpoll, *SERIAL, "-u", "-a", "17", plant.served.path("line")]
    done = subprocess.run(asked, capture_output=True, text=True, timeout=10, check=False)
    assert "Illegal function" in done.stderr


def test_the_plant_command_serves_them_as_well(mbpoll: str, tmp_path: Path) -> None:
    """`linectl plant`, a process of its own, with the model of the whole machine behind it."""
    file = tmp_path / "plant.json"
    command = [sys.executable, "-m", "linectl.cli", "plant", "config/small", "--json"]
    with subprocess.Popen(
        [*command, "--file", str(file)], cwd=ROOT, stdout=subprocess.PIPE, text=True
    ) as plant:
        try:
            assert plant.stdout is not None
            rows = {row["device"]: row for row in json.loads(plant.stdout.readline())["endpoints"]}
            io, belts = rows["io_sower"], rows["belts_sower"]
            tcp = Mbpoll(mbpoll, ["-m", "tcp", "-p", str(io["port"])], io["host"])
            rtu = Mbpoll(mbpoll, SERIAL, belts["path"])
            client = PyModbusTcp(io["port"])
            # config/small/io.csv: the emergency stop is not pressed, nobody presses a reset.
            for master in (tcp, client):
                assert master.read(io["unit"], "discrete", 0, 3) == [1, 0, 0]
            rtu.write(belts["unit"], "holding", 0, [250])
            assert rtu.read(belts["unit"], "holding", 0, 1) == [250]
            client.client.close()
        finally:
            plant.terminate()
