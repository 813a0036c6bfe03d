"""Masters that share no line of code with the plant, and a served device that they ask.

mbpoll is a command of its own on libmodbus (C); pyModbusTCP is a client in Python of another hand.
"""

from __future__ import annotations

import re
import shutil
import subprocess
from collections.abc import Callable, Iterator
from typing import Any

import pytest
from pyModbusTCP.client import ModbusClient
from pyModbusTCP.constants import MB_TIMEOUT_ERR

from linectl.errors import DeviceRefused, Silent
from linectl.image import Value
from linectl.site.hardware import Device, Point, RtuBus, TcpBus
from linectl.site.model import Site, SiteFile

BUSES = {
    "net": {"kind": "tcp", "host": "127.0.0.1", "poll": "20ms", "timeout": "100ms"},
    "line": {"kind": "rtu", "port": "none", "baud": 115_200, "poll": "50ms", "timeout": "100ms"},
}
UNITS = {"net": 1, "line": 17}
ANSWER_S = 0.5
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
            raise Silent(why)
        assert why in CODES, done.stdout + done.stderr
        raise DeviceRefused(why, CODES[why])


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
            raise DeviceRefused(self.client.last_except_as_txt, self.client.last_except)
        assert self.client.last_error == MB_TIMEOUT_ERR, self.client.last_error_as_txt
        raise Silent(self.client.last_error_as_txt)


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


@pytest.fixture
def mbpoll_at(mbpoll: str) -> Callable[..., Mbpoll]:
    """mbpoll on a socket (host, port) or a serial port (path)."""

    def at(where: str, port: int | None = None) -> Mbpoll:
        return Mbpoll(mbpoll, SERIAL if port is None else ["-m", "tcp", "-p", str(port)], where)

    return at


@pytest.fixture
def py_modbus_tcp() -> Iterator[Callable[[int], PyModbusTcp]]:
    """pyModbusTCP's client on a port; closed after the test."""
    begun: list[PyModbusTcp] = []

    def at(port: int) -> PyModbusTcp:
        begun.append(PyModbusTcp(port))
        return begun[-1]

    yield at
    for master in begun:
        master.client.close()


@pytest.fixture(params=["mbpoll on TCP", "mbpoll on RTU", "pyModbusTCP"])
def master(request: pytest.FixtureRequest, plant: Plant) -> tuple[Mbpoll | PyModbusTcp, str, int]:
    """A master, and name and unit of the device that it reaches."""
    net = plant.served.port("net")
    if request.param == "pyModbusTCP":
        return request.getfixturevalue("py_modbus_tcp")(net), "net", UNITS["net"]
    at = request.getfixturevalue("mbpoll_at")
    if request.param == "mbpoll on TCP":
        return at("127.0.0.1", net), "net", UNITS["net"]
    return at(plant.served.path("line")), "line", UNITS["line"]
