"""Servers that share no line of code with the field: libmodbus and pyModbusTCP.

libmodbus (C, through ctypes) answers on a socket, with serial frames on a socket, and on a
pseudo-terminal; pyModbusTCP answers on a socket.
"""

from __future__ import annotations

import contextlib
import ctypes
import os
import select
import socket
import threading
import time
import tty
from collections.abc import Callable, Iterator
from ctypes.util import find_library
from pathlib import Path
from typing import Any

import pytest
from pyModbusTCP.server import DataBank, DataHandler, ModbusServer

from linectl.field.wiring import Reach
from linectl.site.hardware import RtuBus, TcpBus

UNIT = 17
CELLS = 64
"""Cells of each table."""
REFUSALS = dict(enumerate((1, 2, 3, 4, 5, 6, 8, 10, 11), 40))
"""Holding registers that answer with an exception: every code of MODBUS Application Protocol
V1.1b3, 7."""
TIMES = {"poll": "20ms", "timeout": "150ms"}
TCP = TcpBus.model_validate({"kind": "tcp", "host": "127.0.0.1"} | TIMES)
CONVERTER = TcpBus.model_validate(
    {"kind": "tcp", "host": "127.0.0.1", "framing": "rtu", "line": {"baud": 115_200}} | TIMES
)
RTU = RtuBus.model_validate({"kind": "rtu", "port": "none", "baud": 115_200} | TIMES)


class Mapping(ctypes.Structure):
    """`modbus_mapping_t` of modbus.h: counts and first addresses, then the tables."""

    _fields_ = [
        *((name, ctypes.c_int) for name in ("nb_bits", "start_bits")),
        *((name, ctypes.c_int) for name in ("nb_input_bits", "start_input_bits")),
        *((name, ctypes.c_int) for name in ("nb_input_registers", "start_input_registers")),
        *((name, ctypes.c_int) for name in ("nb_registers", "start_registers")),
        *((name, ctypes.POINTER(ctypes.c_uint8)) for name in ("coil", "discrete")),
        *((name, ctypes.POINTER(ctypes.c_uint16)) for name in ("input", "holding")),
    ]


_CONTEXT, _MAPPING, _BYTES = ctypes.c_void_p, ctypes.POINTER(Mapping), ctypes.c_char_p
_INT, _SECONDS, _MICROSECONDS = ctypes.c_int, ctypes.c_uint32, ctypes.c_uint32
# What of modbus.h is used: result and arguments.
_CALLS: dict[str, tuple[Any, list[Any]]] = {
    "new_tcp": (_CONTEXT, [_BYTES, _INT]),
    "new_rtu": (_CONTEXT, [_BYTES, _INT, ctypes.c_char, _INT, _INT]),
    "free": (None, [_CONTEXT]),
    "mapping_new": (_MAPPING, [_INT, _INT, _INT, _INT]),
    "mapping_free": (None, [_MAPPING]),
    "set_socket": (_INT, [_CONTEXT, _INT]),
    "set_slave": (_INT, [_CONTEXT, _INT]),
    "set_indication_timeout": (_INT, [_CONTEXT, _SECONDS, _MICROSECONDS]),
    "set_response_timeout": (_INT, [_CONTEXT, _SECONDS, _MICROSECONDS]),
    "get_header_length": (_INT, [_CONTEXT]),
    "receive": (_INT, [_CONTEXT, _BYTES]),
    "reply": (_INT, [_CONTEXT, _BYTES, _INT, _MAPPING]),
    "reply_exception": (_INT, [_CONTEXT, _BYTES, ctypes.c_uint]),
}


def libmodbus(path: str) -> ctypes.CDLL:
    library = ctypes.CDLL(path)
    for name, (result, arguments) in _CALLS.items():
        call = getattr(library, f"modbus_{name}")
        call.restype, call.argtypes = result, arguments
    return library


class Libmodbus:
    """A server of libmodbus in a thread. It is handed open descriptors: no fixed ports."""

    refusals = REFUSALS
    LOOK_US = 20_000
    """How often it looks whether it is to end."""

    def __init__(self, path: str) -> None:
        self._library = libmodbus(path)
        self._map = self._library.modbus_mapping_new(CELLS, CELLS, CELLS, CELLS)
        self.deaf = False
        """True: it takes every request and answers none."""
        self.slow_s, self.late_s = 0.0, 0.0
        """How long each answer takes, and each eleventh."""
        self._leaving = threading.Event()
        self.come_back()

    def put(self, table: str, address: int, cells: list[int]) -> None:
        for place, cell in enumerate(cells, address):
            getattr(self._map.contents, table)[place] = cell

    def get(self, table: str, address: int, count: int) -> list[int]:
        return list(getattr(self._map.contents, table)[address : address + count])

    def come_back(self) -> None:
        self._leaving.clear()
        self._appear()
        self._thread = threading.Thread(target=self._run, name="libmodbus")
        self._thread.start()

    def vanish(self) -> None:
        self._leaving.set()
        self._thread.join()
        self._disappear()

    def end(self) -> None:
        if self._thread.is_alive():
            self.vanish()
        self._library.modbus_mapping_free(self._map)

    def _appear(self) -> None:
        raise NotImplementedError

    def _disappear(self) -> None:
        raise NotImplementedError

    def _run(self) -> None:
        raise NotImplementedError

    def _rtu_context(self) -> int:
        """For RTU frames; it opens nothing itself."""
        context = self._library.modbus_new_rtu(b"none", RTU.baud, b"N", 8, 1)
        self._library.modbus_set_slave(context, UNIT)
        return context

    def _serve(self, context: int, descriptor: int) -> None:
        """Answer on an open descriptor until its other end is gone or we leave."""
        library = self._library
        library.modbus_set_socket(context, descriptor)
        library.modbus_set_indication_timeout(context, 0, self.LOOK_US)
        library.modbus_set_response_timeout(context, 0, 1000)
        request = ctypes.create_string_buffer(260)
        taken = 0
        while not self._leaving.is_set():
            length = library.modbus_receive(context, request)
            if length > 0 and not self.deaf:
                taken += 1
                time.sleep(self.slow_s if taken % 11 else max(self.slow_s, self.late_s))
                self._reply(context, request, length)
            elif length < 0 and self._gone(descriptor):
                return

    def _reply(self, context: int, request: Any, length: int) -> None:
        pdu = request.raw[self._library.modbus_get_header_length(context) : length]
        address = int.from_bytes(pdu[1:3], "big")
        if pdu[0] in (3, 6, 16) and address in REFUSALS:
            self._library.modbus_reply_exception(context, request, REFUSALS[address])
        else:
            self._library.modbus_reply(context, request, length, self._map)

    @staticmethod
    def _gone(descriptor: int) -> bool:
        return False


class LibmodbusTcp(Libmodbus):
    bus, port = TCP, 0

    def _context(self) -> int:
        return self._library.modbus_new_tcp(None, 0)

    def where(self) -> Reach:
        return Reach("127.0.0.1", self.port)

    def _appear(self) -> None:
        self._listener = socket.create_server(("127.0.0.1", self.port))
        self.port = self._listener.getsockname()[1]

    def _disappear(self) -> None:
        self._listener.close()

    def _run(self) -> None:
        while not self._leaving.is_set():
            if not select.select([self._listener], [], [], self.LOOK_US / 1e6)[0]:
                continue
            link, _ = self._listener.accept()
            context = self._context()
            with link:
                self._serve(context, link.fileno())
            self._library.modbus_free(context)

    @staticmethod
    def _gone(descriptor: int) -> bool:
        """True when the socket can be read and nothing is in it: the other end has closed."""
        if not select.select([descriptor], [], [], 0)[0]:
            return False
        with socket.socket(fileno=os.dup(descriptor)) as link:
            try:
                return link.recv(1, socket.MSG_PEEK) == b""
            except OSError:
                return True


class LibmodbusRtu(Libmodbus):
    bus = RTU

    def __init__(self, path: str, folder: Path) -> None:
        self._link = folder / "line"
        super().__init__(path)

    def where(self) -> Reach:
        return Reach("", str(self._link))

    def _appear(self) -> None:
        self._ours, self._theirs = os.openpty()
        tty.setraw(self._theirs)
        self._link.symlink_to(os.ttyname(self._theirs))

    def _disappear(self) -> None:
        self._link.unlink()
        os.close(self._ours)
        os.close(self._theirs)

    def _run(self) -> None:
        context = self._rtu_context()
        self._serve(context, self._ours)
        self._library.modbus_free(context)


class LibmodbusConverter(LibmodbusTcp):
    """A device on a serial line behind a converter: libmodbus's RTU frames on a socket."""

    bus = CONVERTER

    def _context(self) -> int:
        return self._rtu_context()


class Conditions(DataHandler):
    """Registers that refuse, and a time in which no holding register is read."""

    def __init__(self, bank: DataBank) -> None:
        super().__init__(bank)
        self.speaking = threading.Event()
        self.speaking.set()

    def read_h_regs(self, address: int, count: int, srv_info: Any) -> Any:
        self.speaking.wait(5)
        if address in REFUSALS:
            return DataHandler.Return(exp_code=REFUSALS[address])
        return super().read_h_regs(address, count, srv_info)

    def write_h_regs(self, address: int, words_l: list[int], srv_info: Any) -> Any:
        if address in REFUSALS:
            return DataHandler.Return(exp_code=REFUSALS[address])
        return super().write_h_regs(address, words_l, srv_info)


class PyModbusTcp:
    """The server of pyModbusTCP. It answers to any unit number."""

    bus = TCP
    refusals = REFUSALS
    NAMES = {  # noqa: RUF012
        "coil": "coils",
        "discrete": "discrete_inputs",
        "input": "input_registers",
        "holding": "holding_registers",
    }

    def __init__(self) -> None:
        tables = ("coils", "d_inputs", "h_regs", "i_regs")
        bank = DataBank(**{f"{table}_size": CELLS for table in tables})
        self._before = set(threading.enumerate())
        with socket.create_server(("127.0.0.1", 0)) as free:  # its own number is not to be asked
            self._port = free.getsockname()[1]
        self._conditions = Conditions(bank)
        self._server = ModbusServer(
            "127.0.0.1", self._port, no_block=True, data_hdl=self._conditions
        )
        self.come_back()

    def where(self) -> Reach:
        return Reach("127.0.0.1", self._port)

    def put(self, table: str, address: int, cells: list[int]) -> None:
        assert getattr(self._server.data_bank, f"set_{self.NAMES[table]}")(address, cells)

    def get(self, table: str, address: int, count: int) -> list[int]:
        got = getattr(self._server.data_bank, f"get_{self.NAMES[table]}")(address, count)
        return [int(cell) for cell in got]

    @property
    def deaf(self) -> bool:
        return not self._conditions.speaking.is_set()

    @deaf.setter
    def deaf(self, deaf: bool) -> None:
        """False lets the answers go that were kept back: they come late."""
        (self._conditions.speaking.clear if deaf else self._conditions.speaking.set)()

    def come_back(self) -> None:
        self._server.start()
        while not self._server.is_run:  # its thread says so
            time.sleep(0.001)

    def vanish(self) -> None:
        """It looks twice a second whether it is to stop, or when somebody comes."""
        stopping = threading.Thread(target=self._server.stop)
        stopping.start()
        with contextlib.suppress(OSError):
            socket.create_connection(("127.0.0.1", self._port)).close()
        stopping.join()

    def end(self) -> None:
        if self._server.is_run:
            self.vanish()
        for thread in set(threading.enumerate()) - self._before:
            thread.join(5)


Server = LibmodbusTcp | LibmodbusConverter | LibmodbusRtu | PyModbusTcp


@pytest.fixture
def library(installed: Callable[..., str]) -> str:
    return installed(find_library("modbus"), "libmodbus", "libmodbus5")


@pytest.fixture
def libmodbus_tcp(library: str) -> Iterator[LibmodbusTcp]:
    begun = LibmodbusTcp(library)
    yield begun
    begun.end()


@pytest.fixture
def libmodbus_converter(library: str) -> Iterator[LibmodbusConverter]:
    begun = LibmodbusConverter(library)
    yield begun
    begun.end()


@pytest.fixture
def libmodbus_rtu(library: str, tmp_path: Path) -> Iterator[LibmodbusRtu]:
    begun = LibmodbusRtu(library, tmp_path)
    yield begun
    begun.end()


@pytest.fixture
def py_modbus_tcp() -> Iterator[PyModbusTcp]:
    begun = PyModbusTcp()
    yield begun
    begun.end()


@pytest.fixture(params=["libmodbus_tcp", "libmodbus_converter", "libmodbus_rtu", "py_modbus_tcp"])
def server(request: pytest.FixtureRequest) -> Server:
    return request.getfixturevalue(request.param)
